"""A real browser without a window, and a server in a process of its own that can be killed."""

from __future__ import annotations

import multiprocessing
import os
import shutil
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from multiprocessing import forkserver
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import pytest

from tests.browser.played import play_blind
from tests.browser.practice_server import serve_practice

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page, Request, Response

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
# servers are forked from a process that has imported everything, which takes most of a second
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["tests.browser.warm"])


class Unplayed(pytest.Module):
    """A file of tests that cannot be imported here."""

    def collect(self) -> NoReturn:
        """Skip it, and say what is missing."""
        pytest.skip("no Playwright here: pip install -e '.[browser]'", allow_module_level=True)


if find_spec("playwright") is None:

    def pytest_pycollect_makemodule(module_path: Path, parent: pytest.Collector) -> pytest.Module:
        """Let each file of this folder be skipped."""
        return Unplayed.from_parent(parent, path=module_path)


def chromium_path() -> str | None:
    """The browser's path: from the environment, else one of the usual names."""
    names = ("chromium", "chromium-browser", "google-chrome")
    return os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, names)), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = chromium_path()
    if path is None:
        pytest.skip("no Chromium here: install it (apt install chromium) or name it in CHROMIUM")
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=180_000)  # a busy machine is slow, and no fault of the page
    forkserver.ensure_running()  # it makes ready while the browser starts
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=list(QUIET))
        yield running
        running.close()


class Server:
    """The program as a process; ``kill`` gives it no time to shut down."""

    def __init__(self, folder: Path, seed: int, code: str = "") -> None:
        self.folder, self.seed, self.code, self.port = folder, seed, code, 0
        self.start()

    def start(self) -> None:
        heard, sender = PROCESSES.Pipe(duplex=False)
        given = (self.folder, self.port, self.seed, self.code, sender)
        self.process = PROCESSES.Process(target=serve_practice, args=given, daemon=True)
        self.process.start()
        sender.close()
        self.port = heard.recv()
        heard.close()

    def kill(self) -> None:
        self.process.kill()
        self.process.join()

    @property
    def url(self) -> str:
        return f"http://localhost:{self.port}"


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Callable[..., Server]]:
    """Return a function that starts a server for a seed; all are killed afterwards.

    until : how far its alignment already is: ``turn`` (the first turn is asked for) or ``done``.
    """
    running: list[Server] = []

    def start(seed: int, code: str = "", *, until: str | None = None) -> Server:
        folder = tmp_path / f"data{len(running)}"
        if until is not None:
            play_blind(folder, seed, until=until)
        running.append(Server(folder, seed, code))
        return running[-1]

    yield start
    for server in running:
        server.kill()


class Watch:
    """Records what a page should never do: console errors, script errors, requests to another host.

    cut : the test cuts the network, so failed requests are not the page's fault.
    """

    def __init__(self, context: BrowserContext, *, cut: bool = False) -> None:
        self.complaints: list[str] = []
        self._cut = cut
        context.on("page", self._page)
        context.on("request", self._asked)
        context.on("response", self._answered)

    def _page(self, page: Page) -> None:
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda message: self._said(message.type, message.text))

    def _asked(self, request: Request) -> None:
        host = request.url.split("/")[2].split(":")[0]
        if host != "localhost" and not request.url.startswith("data:"):
            self.complaints.append(f"asked another host: {request.url}")

    def _answered(self, answer: Response) -> None:
        """Only a page that the test itself opened may be refused."""
        if answer.status >= 400 and answer.request.resource_type in ("script", "stylesheet", "image", "font"):
            self.complaints.append(f"{answer.status}: {answer.url}")

    def _said(self, kind: str, text: str) -> None:
        refused = "Failed to load resource: the server responded" in text  # judged by who asked, above
        if kind in ("error", "warning") and not refused and not (self._cut and "ERR_" in text):
            self.complaints.append(f"{kind}: {text}")


Window = Callable[..., "Page"]


@pytest.fixture
def window(browser: Browser) -> Iterator[Window]:
    """Return a function that opens a page of a size; anything that a page should never do fails the test.

    cut : the test cuts the network. Other arguments go to the browser's context.
    """
    opened: list[tuple[BrowserContext, Watch]] = []

    def size(width: int, height: int, *, cut: bool = False, **more: Any) -> Page:
        context = browser.new_context(viewport={"width": width, "height": height}, **more)
        opened.append((context, Watch(context, cut=cut)))
        page = context.new_page()
        page.set_default_timeout(180_000)
        return page

    yield size
    for context, watch in opened:
        context.close()
        assert watch.complaints == []
