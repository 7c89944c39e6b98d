"""Small faults put into the program one at a time: how many of them does a test catch?

    .venv/bin/pip install -c .ci/constraints.txt -e '.[mutants,test]'
    .venv/bin/python tests/bench/mutants.py [--count 100] [--seed 1] [--only vision] [--path vision/fit.py]

The faults are those of cosmic-ray: another operator or comparison, a number one more or less, a condition
turned round, a loop that ends at once. They are drawn by seed from solver, vision, log and session; longer
files are drawn more often. A fault is caught if a test of its part fails, or takes more than ten times its
usual time. Only tests that run the changed line are used, the quickest first, and no more than take --most
seconds together. A fault that survives is printed as a line of code: either a test is missing, or the change
has no effect. --keep FOLDER stores which test runs which line, for the next draw.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names
from coverage import CoverageData

ROOT = Path(__file__).resolve().parents[2]
TESTS = {
    "server/solver": ["tests/solver"],
    "vision": ["tests/vision"],
    "server/log": ["tests/log"],
    "server/session": ["tests/session", "tests/pages"],
}
# changes that are no faults, or that no person makes: `X | None` is a type, and nobody forgets a decorator or
# writes another `frozen` or `maxsize`
UNLIKELY = (
    *("BitOr", "BitAnd", "BitXor", "Shift", "FloorDiv", "_Mod", "_Pow", "Invert", "_Is", "UAdd"),
    *("Decorator", "Variable", "Exception"),
)
KINDS = [name for name in operator_names() if not any(word in name for word in UNLIKELY)]


@dataclass(frozen=True)
class Fault:
    """One change: the file below the root, its new text, the line changed (from 1) and how it reads now."""

    path: str
    text: str
    line: int
    now: str


@dataclass(frozen=True)
class Covered:
    """Which tests run each line of each file (at import: which file of tests), and each test's seconds."""

    tests: dict[str, dict[int, set[str]]]
    took_s: dict[str, float]

    def through(self, fault: Fault, most_s: float) -> list[str]:
        """Return the tests that run a fault's line, file by file, quickest first; all tests of the changed
        file if the line runs at import.

        The other tests of each of these files come last: they may use the line's result from a fixture or a
        cache that an earlier test has filled.
        """
        lines = self.tests.get(fault.path, {})
        tests = lines.get(fault.line) or {test for some in lines.values() for test in some}
        longest: dict[str, float] = defaultdict(float)  # of each file; includes the time of its fixtures
        for test, took_s in self.took_s.items():
            longest[_file_of(test)] = max(longest[_file_of(test)], took_s)
        files = {_file_of(test) for test in tests}

        def place(test: str) -> tuple[float, str, bool, float]:
            file = _file_of(test)
            return longest[file], file, test not in tests, self.took_s[test]

        quickest = sorted((test for test in self.took_s if _file_of(test) in files), key=place)
        together = accumulate(self.took_s[test] for test in quickest)
        return [test for test, so_far in zip(quickest, together, strict=True) if so_far <= most_s]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=TESTS, help="one part of the program")
    parser.add_argument("--path", action="append", default=[], help="one file; may be given again")
    parser.add_argument("--most", type=float, default=120, help="seconds of tests for one fault")
    parser.add_argument("--keep", type=Path, help="keep which test passes where, and use it if it is there")
    given = parser.parse_args()
    parts = [given.only] if given.only else _parts(given.path)
    rng = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as name:
        copy = Path(name) / "program"
        _copy(copy)
        covered = {part: _kept(copy, part, given.keep) for part in parts}
        caught = {part: [0, 0] for part in parts}
        for number in range(given.count):
            part, fault = _drawn(rng, copy, parts, given.path)
            found = _caught(copy, covered[part].through(fault, given.most), covered[part], fault)
            caught[part][0] += found
            caught[part][1] += 1
            if not found:
                print(f"survived  {fault.path}:{fault.line}  {fault.now.strip()}", flush=True)
            if number % 10 == 9:
                print(f"{number + 1} of {given.count}", flush=True)
    print(f"\n{'part':16} {'caught':>8}  of")
    for part, (found, of) in caught.items():
        print(f"{part:16} {found:8d}  {of}")
    found, of = (sum(each[i] for each in caught.values()) for i in (0, 1))
    print(f"{'all':16} {found:8d}  {of}   {found / of:.0%}")


def _copy(to: Path) -> None:
    """Copy the files that git tracks, as they are now."""
    names = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True)
    for name in filter(None, names.stdout.split("\0")):
        if (ROOT / name).is_file():
            (to / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, to / name)


def _parts(paths: list[str]) -> list[str]:
    """Return the parts that these files belong to; all where no file is given."""
    return [part for part in TESTS if not paths or any(path.startswith(f"{part}/") for path in paths)]


def _drawn(rng: random.Random, copy: Path, parts: list[str], paths: list[str]) -> tuple[str, Fault]:
    """Return a part of the program and a fault in it, both drawn; longer files are drawn more often."""
    files = [
        (part, path)
        for part in parts
        for path in sorted((copy / part).rglob("*.py"))
        if not paths or str(path.relative_to(copy)) in paths
    ]
    lines = [len(path.read_text().splitlines()) for _, path in files]
    while True:
        part, path = rng.choices(files, lines)[0]
        text = path.read_text()
        places = _places(text)
        if not places:
            continue
        name, occurrence = rng.choice(places)
        changed = mutate_code(text, get_operator(name)(), occurrence)
        if changed not in (None, text) and _compiles(changed):
            return part, Fault(str(path.relative_to(copy)), changed, *_difference(text, changed))


def _compiles(text: str) -> bool:
    """Whether the text compiles; text that does not is caught without a test."""
    try:
        compile(text, "fault", "exec", dont_inherit=True)
    except SyntaxError:
        return False
    return True


def _places(text: str) -> list[tuple[str, int]]:
    """Return each possible change as its kind and a running number; none in imports and decorators."""
    seen, places = Counter[str](), []
    nodes = list(ast_nodes(get_ast(text)))
    for name in KINDS:
        operator = get_operator(name)()
        for node in nodes:
            for _ in operator.mutation_positions(node):
                star = node.parent is not None and node.parent.type == "parameters"  # `*`, no product
                if not star and node.search_ancestor("import_name", "import_from", "decorator") is None:
                    places.append((name, seen[name]))
                seen[name] += 1
    return places


def _difference(before: str, after: str) -> tuple[int, str]:
    """Return the first line that differs, from 1, and how it reads afterwards."""
    pairs = zip(before.splitlines(), after.splitlines(), strict=False)
    return next(((n, b) for n, (a, b) in enumerate(pairs, 1) if a != b), (0, ""))


def _caught(copy: Path, tests: list[str], covered: Covered, fault: Fault) -> bool:
    path = copy / fault.path
    whole = path.read_text()
    path.write_text(fault.text)
    try:
        most_s = 60 + 10 * sum(covered.took_s.get(test, 0) for test in tests)
        return bool(tests) and _pytest(copy, ["-x", *tests], most_s) != 0
    finally:
        path.write_text(whole)


def _kept(copy: Path, part: str, keep: Path | None) -> Covered:
    """Return which tests run which lines: from a file in that folder, else by running them, then stored."""
    file = keep and keep / f"{part.replace('/', '-')}.json"
    if file and file.exists():
        tests, took_s = json.loads(file.read_text())
        return Covered(
            {name: {int(n): set(some) for n, some in lines.items()} for name, lines in tests.items()}, took_s
        )
    covered = _covered(copy, part)
    if file:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(json.dumps([covered.tests, covered.took_s], default=sorted))
    return covered


def _covered(copy: Path, part: str) -> Covered:
    """Run a part's tests once, without a fault, each file separately: a cache filled by one file would hide
    which lines the next one needs."""
    files = [path for folder in TESTS[part] for path in sorted((copy / folder).glob("test_*.py"))]
    output = copy / "durations.txt"
    began = time.monotonic()
    options = [f"--cov={part}", "--cov-context=test", "--cov-report=", "--durations=0", "--durations-min=0"]
    took_s: dict[str, float] = defaultdict(float)
    tests: dict[str, dict[int, set[str]]] = defaultdict(lambda: defaultdict(set))
    for file in files:
        if _pytest(copy, [*options, str(file)], 7200, said=output) != 0:
            raise SystemExit(f"the tests of {part} fail without a fault:\n{output.read_text()[-2000:]}")
        for seconds, test in re.findall(_TOOK, output.read_text(), re.MULTILINE):
            took_s[test] += float(seconds)
        data = CoverageData(str(copy / ".coverage"))
        data.read()
        for name in data.measured_files():
            lines = tests[str(Path(name).relative_to(copy))]
            for line, contexts in data.contexts_by_lineno(name).items():
                lines[line] |= {each.partition("|")[0] or str(file.relative_to(copy)) for each in contexts}
    print(f"{part}: its tests take {time.monotonic() - began:.0f} s", flush=True)
    return Covered(tests, took_s)


_TOOK = r"^ *([\d.]+)s (?:call|setup) +(\S.*)$"


def _file_of(test: str) -> str:
    return test.partition("::")[0]


def _pytest(copy: Path, options: list[str], most_s: float, *, said: Path | None = None) -> int:
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *options]
    own = {"PYTHONDONTWRITEBYTECODE": "1", "HYPOTHESIS_STORAGE_DIRECTORY": str(copy / ".hypothesis")}
    with (said or Path(os.devnull)).open("w") as out:
        try:
            done = subprocess.run(
                command, cwd=copy, env=os.environ | own, stdout=out, stderr=out, timeout=most_s
            )
        except subprocess.TimeoutExpired:
            return 1
    return done.returncode


if __name__ == "__main__":
    main()
