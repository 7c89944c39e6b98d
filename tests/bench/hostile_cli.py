"""Commands with misleading files and impossible arguments: is every refusal one line?

    .venv/bin/python -m tests.bench.hostile_cli

Aim: no traceback in at least 300 cases. Each runs in this process with a time limit. A case fails if an
exception leaves ``main``, if the status is not documented, or if a refusal has more than one line.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import resource
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from server.cli.main import main

LIMIT_S = 60
STATUSES = {0, 1, 2, 3}
DEEP = 30_000
HUGE = "9" * 5000
FAR = ["--to", "http://127.0.0.1:9"]
TOML: dict[str, bytes] = {
    "empty": b"",
    "deep array": b"a = " + b"[" * DEEP + b"]" * DEEP,
    "deep table": b"a = " + b"{a=" * DEEP + b"1" + b"}" * DEEP,
    "deep name": b"[" + b"a." * DEEP + b"a]",
    "huge number": f"name = {HUGE}".encode(),
    "huge pin": f"[pins]\nring = {HUGE}".encode(),
    "float pin": b"[pins]\nring = 1e400",
    "not a number": b"[pins]\nring = nan",
    "two pins the same": b"[pins]\nring = 12\nfoot = 12",
    "name of 200": b'name = "' + b"a" * 200 + b'"',
    "name with a line": b'name = "a\\nb"',
    "list for a table": b"pins = []",
    "text for a table": b'panel = "x"',
    "camera of no kind": b'[camera]\nkind = "daguerreotype"',
    "camera number": b"[camera]\nnumber = -1",
    "latin-1": 'name = "\xe4"'.encode("latin-1"),
    "zeros": bytes(2000),
    "half a string": b'name = "',
    "twice": b"name = 'a'\nname = 'b'",
    "date": b"name = 2026-02-30",
    "byte order mark": b'\xef\xbb\xbfname = "a"',
    "large": b"#" * 3_000_000,
}
JSON: dict[str, bytes] = {
    "empty": b"",
    "list": b"[]",
    "number": b"5",
    "null": b"null",
    "text": b'"x"',
    "deep": b"[" * DEEP,
    "deep objects": b'{"a":' * DEEP,
    "huge number": HUGE.encode(),
    "not a number": b'{"matrix": NaN}',
    "latin-1": b'{"a": "\xe4"}',
    "zeros": bytes(300),
    "utf-16": '{"a": 1}'.encode("utf-16"),
    "half": b'{"matrix": [[1, 0',
    "lists": json.dumps({key: [] for key in ("matrix", "distortion", "size_px", "rms_px")}).encode(),
    "texts": json.dumps(dict.fromkeys(("matrix", "distortion", "size_px", "rms_px"), "x")).encode(),
    "objects": json.dumps({key: {} for key in ("matrix", "distortion", "size_px", "rms_px")}).encode(),
    "nulls": json.dumps(dict.fromkeys(("matrix", "distortion", "size_px", "rms_px"))).encode(),
}
LENS = {"matrix": np.eye(3).tolist(), "distortion": [0.0] * 5, "size_px": [640, 480], "rms_px": 0.1}
LENSES: dict[str, Any] = {
    "infinite size": LENS | {"size_px": [float("inf"), 480]},
    "negative size": LENS | {"size_px": [-640, -480]},
    "size of three": LENS | {"size_px": [1, 2, 3]},
    "size as text": LENS | {"size_px": "ab"},
    "size as number": LENS | {"size_px": 5},
    "huge size": LENS | {"size_px": [10**400, 1]},
    "infinite matrix": LENS | {"matrix": [[float("inf")] * 3] * 3},
    "ragged matrix": LENS | {"matrix": [[1], [1, 2], [3]]},
    "zero matrix": LENS | {"matrix": [[0.0] * 3] * 3},
    "distortion that is none": LENS | {"distortion": [float("nan")] * 5},
    "huge distortion": LENS | {"distortion": [1e300] * 5},
    "huge matrix": LENS | {"matrix": [[1e300] * 3] * 3},
    "size of another camera": LENS | {"size_px": [64, 48]},
    "matrix of texts": LENS | {"matrix": [["a"] * 3] * 3},
    "rms that is none": LENS | {"rms_px": float("nan")},
    "number of 400 digits": LENS | {"rms_px": 10**400},
}
RECORDINGS: dict[str, list[Any]] = {
    "did is no object": [{"did": 5}],
    "did has no kind": [{"did": {}}],
    "no did": [{}],
    "list": [[]],
    "number": [5],
    "begins without a laser": [{"did": {"kind": "begin"}}],
    "laser is no object": [{"did": {"kind": "begin", "machine": 5}}],
    "laser is empty": [{"did": {"kind": "begin", "machine": {}}}],
    "picture above": [{"picture": "../../outside.jpg", "time_s": 0, "number": 0}],
    "picture elsewhere": [{"picture": "/etc/passwd", "time_s": 0, "number": 0}],
    "picture by a link": [{"picture": "link.jpg", "time_s": 0, "number": 0}],
    "picture is a list": [{"picture": [], "time_s": 0, "number": 0}],
    "picture is the folder": [{"picture": ".", "time_s": 0, "number": 0}],
    "picture without time": [{"picture": "a.jpg"}],
    "time is text": [{"picture": "a.jpg", "time_s": "x", "number": 0}],
    "time is infinite": [{"picture": "a.jpg", "time_s": float("inf"), "number": 0}],
    "number is infinite": [{"picture": "a.jpg", "time_s": 0, "number": float("inf")}],
    "number is null": [{"picture": "a.jpg", "time_s": 0, "number": None}],
    "name of zeros": [{"picture": "a\0b", "time_s": 0, "number": 0}],
    "long name": [{"picture": "a" * 5000, "time_s": 0, "number": 0}],
}
DEEDS: dict[str, Any] = {
    "hang nowhere": {"kind": "hang"},
    "hang at a number": {"kind": "hang", "place": 5},
    "hang at half a place": {"kind": "hang", "place": {"station": "mirror-1"}},
    "hang at three numbers": {"kind": "hang", "place": {"station": "mirror-1", "head_mm": [1, 2, 3]}},
    "hang at texts": {"kind": "hang", "place": {"station": "mirror-1", "head_mm": ["a", "b"]}},
    "hang at infinity": {"kind": "hang", "place": {"station": "x", "head_mm": [float("inf"), 0]}},
    "event that is none": {"kind": "event", "event": 5},
    "event without kind": {"kind": "event", "event": {}},
    "turn of nothing": {"kind": "event", "event": {"kind": "turn"}},
    "turn of texts": {"kind": "event", "event": {"kind": "turn", "mount": "a", "screw": 5, "turns": "x"}},
    "turn for ever": {
        "kind": "event", "event": {"kind": "turn", "mount": 1, "screw": "top", "turns": float("inf")}
    },
    "shift of nothing": {"kind": "event", "event": {"kind": "shift", "part": "tube", "move_mm": 5}},
    "inspected nothing": {"kind": "event", "event": {"kind": "inspected"}},
    "no mark nowhere": {"kind": "event", "event": {"kind": "no-mark"}},
    "begin anew without": {"kind": "begin"},
    "begin anew with a number": {"kind": "begin", "machine": 7},
    "unknown deed": {"kind": "dance"},
}  # fmt: skip
PATHS = {
    "nothing": "",
    "here": ".",
    "null device": "/dev/null",
    "endless device": "/dev/zero",
    "full device": "/dev/full",
    "zero byte": "a\0b",
    "too long": "x" * 300,
    "too deep": "x/" * 3000,
    "no text": "\udc80\udcff.x",
    "absent": "{folder}/absent/thing",
    "below a file": "{file}/x",
    "a folder": "{folder}",
    "a loop": "{loop}",
    "proc": "/proc/self/mem",
    "a line": "a\nb",
    "an option": "--x",
}


@dataclass
class Seen:
    """The results of all cases."""

    statuses: Counter[int] = field(default_factory=Counter)
    bad: list[str] = field(default_factory=list)


class TooLong(BaseException):
    """A command that does not end."""


def cases(folder: Path) -> Iterator[tuple[str, list[str], bytes]]:
    """Yield (name, words, standard input) of each case; files are written into the folder."""
    photo = str(folder / "photo.jpg")
    cv2.imwrite(photo, np.full((480, 640, 3), 200, np.uint8))
    yield from _files(folder, photo)
    yield from _recordings(folder)
    yield from _paths(folder, photo)
    yield from _arguments(photo)


def _files(folder: Path, photo: str) -> Iterator[tuple[str, list[str], bytes]]:
    data = str(folder / "data")
    none = ["--camera", "daguerreotype", "--data", data]
    for name, content in TOML.items():
        path = folder / f"{name}.toml"
        path.write_bytes(content)
        yield f"serve --rig: {name}", ["serve", "--rig", str(path), *none], b""
        yield f"rig --rig: {name}", ["rig", *FAR, "--rig", str(path), *none], b""
        beside = folder / f"beside {name}"
        beside.mkdir()
        (beside / "rig.toml").write_bytes(content)
        yield f"rig.toml beside: {name}", ["serve", *none[:2], "--data", str(beside)], b""
    lenses = JSON | {name: json.dumps(value).encode() for name, value in LENSES.items()}
    for name, content in (lenses | TOML).items():
        path = folder / f"{name}.lens"
        path.write_bytes(content)
        yield f"read --camera: {name}", ["read", photo, "--camera", str(path)], b""
    for name, content in (JSON | TOML).items():
        path = folder / f"{name}.any"
        path.write_bytes(content)
        yield f"next: {name}", ["next"], content
        yield f"read: {name}", ["read", str(path)], b""
        yield f"calibrate: {name}", ["calibrate", str(path), "--out", str(folder / "out")], b""


def _recordings(folder: Path) -> Iterator[tuple[str, list[str], bytes]]:
    from server.practice import default_profile
    from server.solver import profile_as_json

    machine = profile_as_json(default_profile())
    begin = {"did": {"kind": "begin", "machine": machine}}
    (folder / "outside.jpg").write_bytes((folder / "photo.jpg").read_bytes())
    lines = {name: [*rows] for name, rows in RECORDINGS.items()}
    lines |= {f"{name}, begun": [begin, *rows] for name, rows in RECORDINGS.items()}
    lines |= {name: [begin, {"did": deed}] for name, deed in DEEDS.items()}
    contents = {name: "\n".join(map(json.dumps, rows)).encode() for name, rows in lines.items()} | JSON
    for name, content in contents.items():
        place = folder / f"recording {name}" / "in"
        place.mkdir(parents=True)
        (place / "a.jpg").write_bytes((folder / "photo.jpg").read_bytes())
        (place / "link.jpg").symlink_to(folder / "outside.jpg")
        (place / "recording.jsonl").write_bytes(content + b"\n{}\n")
        yield f"replay: {name}", ["replay", str(place)], b""


def _paths(folder: Path, photo: str) -> Iterator[tuple[str, list[str], bytes]]:
    (folder / "folder").mkdir()
    (folder / "loop").symlink_to(folder / "loop")
    known = {"file": photo, "folder": str(folder / "folder"), "loop": str(folder / "loop")}
    none, data = ["--camera", "daguerreotype"], ["--data", str(folder / "data")]
    for name, text in PATHS.items():
        path = text.format(**known) if "{" in text else text
        for words in (
            ["read", path],
            ["read", photo, "--before", path],
            ["read", photo, "--camera", path],
            ["calibrate", path, "--out", str(folder / "out")],
            ["replay", path],
            ["replay", str(folder / "folder"), "--data", path],
            ["serve", *none, "--rig", path, *data],
            ["serve", "--camera", f"replay:{path}x", *data],
            ["serve", *none, "--data", path],
            ["rig", *FAR, *none, "--data", path],
            ["rig", "--to", path, *none, *data],
            ["rig", "--to", f"http://{path}", *none, *data],
            ["rig", *FAR, *none, *data, "--name", path],
            ["rig", *FAR, *none, *data, "--code", path],
        ):
            yield f"{' '.join(words[:3])[:60]!r}: {name}", words, b""


def _arguments(photo: str) -> Iterator[tuple[str, list[str], bytes]]:
    for number in ("nan", "inf", "-inf", "1e400", "-1", "0", HUGE, "x", ""):
        yield f"cards --dpi {number[:9]}", ["cards", "--png", "/dev/null", "--dpi", number], b""
        yield f"serve --port {number[:9]}", ["serve", "--port", number, "--camera", "daguerreotype"], b""
        yield f"doctor --port {number[:9]}", ["doctor", "--port", number, "--rig", "absent.toml"], b""
    for camera in (
        "pi:x:y",
        "usb:\0",
        "usb:",
        "replay:",
        "replay:\udc80",
        "pi:" + HUGE,
        "pi:²",
        ":",
        "rigs:x",
    ):
        yield (
            f"serve --camera {camera[:9]!r}",
            ["serve", "--camera", f"no{camera}", "--rig", "absent.toml"],
            b"",
        )


def run(words: list[str], given: bytes = b"") -> tuple[int | BaseException, str]:
    """Run one command as the program would, standard streams strict; returns status, and standard error."""
    out, err = io.BytesIO(), io.BytesIO()
    streams = sys.stdin, sys.stdout, sys.stderr
    sys.stdin = io.TextIOWrapper(io.BytesIO(given), "utf-8")
    sys.stdout = io.TextIOWrapper(out, "utf-8", write_through=True)
    sys.stderr = io.TextIOWrapper(err, "utf-8", errors="backslashreplace", write_through=True)

    def late(*_: object) -> None:
        raise TooLong

    signal.signal(signal.SIGALRM, late)
    signal.alarm(LIMIT_S)
    try:
        status: int | BaseException = main(words)
    except (Exception, SystemExit, TooLong) as error:  # noqa: BLE001 -- this is what is looked for
        status = error
    finally:
        signal.alarm(0)
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(ValueError):
                stream.flush()
        sys.stdin, sys.stdout, sys.stderr = streams
    return status, err.getvalue().decode()


def fault(words: list[str], given: bytes) -> tuple[str, int]:
    """Return what is wrong with the answer, or nothing, and its status."""
    status, said = run(words, given)
    if isinstance(status, BaseException):
        return f"{type(status).__name__}: {str(status)[:80]}", -1
    if status not in STATUSES:
        return f"status {status}", status
    refused = [line for line in said.splitlines() if not line.startswith("note: ")]
    if "Traceback" in said or (status == 2 and len(refused) != 1):
        return f"{said.count(chr(10))} lines: {said[:80]!r}", status
    return "", status


def main_() -> None:
    seen, first_mb = Seen(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    with tempfile.TemporaryDirectory() as place:
        os.chdir(place)
        Path(place, "all").mkdir()
        for name, words, given in cases(Path(place, "all")):
            wrong, status = fault(words, given)
            seen.statuses[status] += 1
            if wrong:
                seen.bad.append(name)
                print(f"BAD  {name}: {wrong}", flush=True)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    counts = ", ".join(f"{count} with status {status}" for status, count in sorted(seen.statuses.items()))
    print(f"{seen.statuses.total()} cases: {counts}; peak {peak_mb:.0f} MB (at start {first_mb:.0f} MB)")
    print(f"not one line, or no documented status: {len(seen.bad)}")


if __name__ == "__main__":
    main_()
