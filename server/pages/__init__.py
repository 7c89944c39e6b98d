"""The web pages and the JSON they speak."""

from server.pages.app import create_app
from server.pages.desk import Config
from server.pages.serve import serve

__all__ = ["Config", "create_app", "serve"]
