"""Serve the practice machine of one seed: ``practice_server.py FOLDER PORT SEED [CODE]``; prints the port."""

from __future__ import annotations

import sys
from pathlib import Path

from firmware.lean import keep_lean
from server import turning
from server.pages import Config, create_app, stream
from server.pages.serve import make_server
from server.practice import PracticeMachine
from server.source_practice import PracticeSource


def main(folder: str, port: str, seed: str, code: str = "") -> None:
    """Serve until killed."""
    keep_lean()
    stream.BEAT_S = 1.0  # whoever has gone is noticed sooner than a person would mind
    turning.WHOLE_WAY_S, turning.SLOWEST = 3.0, 1 / 20
    source = lambda: PracticeSource(PracticeMachine(int(seed)))  # noqa: E731
    app = create_app(Config(data=Path(folder), source=source, code=code or None))
    server = make_server(app, port=int(port))
    print(server.effective_port, flush=True)
    server.run()


if __name__ == "__main__":
    main(*sys.argv[1:])
