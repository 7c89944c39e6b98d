"""The web pages and their JSON."""

from server.pages.app import create_app
from server.pages.serve import serve
from server.pages.shared import Config

__all__ = ["Config", "create_app", "serve"]
