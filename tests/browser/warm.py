"""Imported by the process that all servers are forked from."""

from tests.browser.practice_server import warm

warm()
