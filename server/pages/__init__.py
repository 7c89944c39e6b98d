"""The web pages and the JSON they speak."""

from server.pages.app import create_app
from server.pages.serve import serve
from server.pages.shared import Config

__all__ = ["Config", "create_app", "serve"]
