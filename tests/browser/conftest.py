"""A real browser without a window, and a server in a process of its own that can be killed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
ROOT = Path(__file__).parents[2]


def chromium_path() -> str | None:
    """Where the browser is: the environment's word first, then the usual names."""
    names = ("chromium", "chromium-browser", "google-chrome")
    return os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, names)), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = chromium_path()
    if path is None:
        pytest.skip("no Chromium here: install it (apt install chromium) or name it in CHROMIUM")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=list(QUIET))
        yield running
        running.close()


class Server:
    """The program as a process; ``kill`` gives it no time to say goodbye."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.seed, self.port = folder, seed, 0
        self.start()

    def start(self) -> None:
        script = Path(__file__).with_name("practice_server.py")
        command = [sys.executable, str(script), str(self.folder), str(self.port), str(self.seed)]
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment)
        assert self.process.stdout is not None
        self.port = int(self.process.stdout.readline())

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()

    @property
    def url(self) -> str:
        return f"http://localhost:{self.port}"


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[[int], Server]]:
    """Return a function that starts a server for a seed; all are killed afterwards."""
    running: list[Server] = []

    def start(seed: int) -> Server:
        running.append(Server(tmp_path / "data", seed))
        return running[-1]

    yield start
    for server in running:
        server.kill()


class Watch:
    """Everything a page should never do."""

    def __init__(self, context: BrowserContext) -> None:
        self.complaints: list[str] = []
        self.hosts: set[str] = set()
        context.on("page", self._page)
        context.on("request", lambda request: self.hosts.add(request.url.split("/")[2].split(":")[0]))

    def _page(self, page: Page) -> None:
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self._said(message.type, message.text))

    def _said(self, kind: str, text: str) -> None:
        if kind == "error" and "Failed to load resource" not in text and "ERR_" not in text:
            self.complaints.append(text)


@pytest.fixture
def window(browser: Browser) -> Iterator[Callable[[int, int], Page]]:
    """Return a function that opens a page of that size; errors and foreign requests fail the test."""
    opened: list[tuple[BrowserContext, Watch]] = []

    def size(width: int, height: int) -> Page:
        context = browser.new_context(viewport={"width": width, "height": height})
        opened.append((context, Watch(context)))
        page = context.new_page()
        page.set_default_timeout(20_000)
        return page

    yield size
    for context, watch in opened:
        context.close()
        assert watch.complaints == []
        assert watch.hosts <= {"localhost"}
