"""A Debian root with the real camera library; these tests are skipped unless ``.ci/rig`` has made one."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import pytest

from server.practice import PracticeCamera, PracticeMachine

PYTHON = "/opt/spotwright/current/bin/python"
CHECKOUT = "/srv/checkout"
FRAMES = "/srv/frames"
CAMERA = """"{id}":
  supported_formats:
  - {{width: 1280, height: 720, frame_rates: [15, 30]}}
  frames: {{path: "{path}"}}
  location: "CameraLocationFront"
  model: "{model}"
"""


@dataclass(frozen=True)
class Root:
    """The root's folder, and how to run a command in it (with /proc only for that command)."""

    folder: Path

    def words(self, *command: str) -> list[str]:
        """Return the command line that runs it inside."""
        enter = ["unshare", "--mount", "--pid", "--fork", "--kill-child", f"--mount-proc={self.folder}/proc"]
        clean = [
            "env",
            "-i",
            "PATH=/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin",
            "HOME=/root",
            "LC_ALL=C.UTF-8",
        ]
        camera = ["LD_PRELOAD=/opt/dma_heap.so", "LIBCAMERA_LOG_LEVELS=*:ERROR", "OPENBLAS_NUM_THREADS=1"]
        inside = ["sh", "-c", f'cd {CHECKOUT} && exec "$@"', "sh", *command]
        return [*enter, "chroot", str(self.folder), *clean, *camera, *inside]

    def run(self, *command: str, timeout_s: float = 600) -> subprocess.CompletedProcess[str]:
        """Run it to its end in a new process group, so that no signal sent inside reaches this test run."""
        return subprocess.run(
            self.words(*command), capture_output=True, text=True, timeout=timeout_s, start_new_session=True
        )

    def path(self, inside: str) -> Path:
        """Return the path from here of a file inside."""
        return self.folder / inside.lstrip("/")


def pytest_collection_modifyitems(items: Sequence[pytest.Item]) -> None:
    """Mark all tests in this folder."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.rig)


@pytest.fixture(scope="session")
def rig_root(root: Path) -> Root:
    """The root with this checkout in it."""
    folder = os.environ.get("SPOTWRIGHT_RIG_ROOT", "")
    if not folder:
        pytest.skip("no other system at hand: 'bash .ci/rig' makes one (as root) and runs these")
    made = Root(Path(folder))
    if not made.path("/.installed").exists():
        pytest.skip(f"{folder} is not complete: 'bash .ci/rig' makes it")
    checkout = made.path(CHECKOUT)
    shutil.rmtree(checkout, ignore_errors=True)
    for name in ("firmware", "server", "vision", "tests/rig"):
        leave = shutil.ignore_patterns("__pycache__")
        shutil.copytree(root / name, checkout / name, ignore=leave)
    return made


@dataclass(frozen=True)
class Scene:
    """A rendered card before and after a pulse, and the true offset."""

    before: cv2.typing.MatLike
    after: cv2.typing.MatLike
    offset_mm: tuple[float, float]


@pytest.fixture(scope="session")
def scene() -> Scene:
    """A card at mirror 2 with a mark that the renderer knows."""
    machine = PracticeMachine(3)
    machine.hang("mirror-2")
    camera = PracticeCamera(machine)
    camera.start()
    before = camera.newest().pixels
    machine.pulse()
    after = camera.newest().pixels
    (burn,) = machine.cards["mirror-2"].burns
    return Scene(before, after, burn.offset_mm)


def show(rig_root: Root, **pictures: cv2.typing.MatLike) -> None:
    """Show pictures to the virtual cameras: model → picture."""
    rig_root.path(FRAMES).mkdir(parents=True, exist_ok=True)
    text = "%YAML 1.1\n---\n"
    for index, (model, picture) in enumerate(pictures.items()):
        inside = f"{FRAMES}/{model}.jpg"
        cv2.imwrite(str(rig_root.path(inside)), picture, [cv2.IMWRITE_JPEG_QUALITY, 98])
        text += CAMERA.format(id=f"Virtual{index}", path=inside, model=model)
    rig_root.path("/usr/share/libcamera/pipeline/virtual/virtual.yaml").write_text(text)
