"""Pages, scripts, charts and states are sent compressed (gzip, RFC 1952): a phone has them sooner."""

from __future__ import annotations

import gzip

from flask import Flask, Response, request

__all__ = ["pack"]

KINDS = {"text/html", "text/css", "text/javascript", "application/json", "image/svg+xml"}
LEAST_BYTES, MOST_BYTES = 1_000, 1_000_000  # smaller gains nothing; larger is a download, not a page
LEVEL = 5


def pack(app: Flask) -> None:
    """Compress what ``app`` answers if the browser takes it; not streams, pictures and downloads."""

    @app.after_request
    def packed(response: Response) -> Response:
        if not _worth_it(response):
            return response
        response.headers.add("Vary", "Accept-Encoding")
        if request.accept_encodings["gzip"] <= 0:
            return response
        response.direct_passthrough = False
        response.set_data(gzip.compress(response.get_data(), LEVEL, mtime=0))
        response.headers["Content-Encoding"] = "gzip"
        if tag := response.get_etag()[0]:
            response.set_etag(tag, weak=True)
        return response


def _worth_it(response: Response) -> bool:
    length = response.content_length or 0
    kept = response.headers.get("Content-Disposition", "").startswith("attachment")
    plain = response.status_code == 200 and not kept
    return plain and response.mimetype in KINDS and LEAST_BYTES <= length <= MOST_BYTES
