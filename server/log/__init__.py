"""The log of readings, turns, cuts and upkeep, kept for years as plain JSON. Imports nothing else of ours."""

from server.log._care import back_up, restore
from server.log._chart import draw_chart, what_to_draw
from server.log._check import Health, check
from server.log._database import default_folder, write_for_good, written_whole
from server.log._errors import BadEntry, Damaged, LogError, LogMissing, NoSuchEntry, one_line
from server.log._prune import PictureRule, Pruned
from server.log._rescue import Rescue, rescue
from server.log._settings import Settings
from server.log._store import Access, Log
from server.log._text import Json
from server.log._transfer import Imported, import_folder, import_json
from server.log._upkeep import (
    UPKEEP,
    add_entry,
    checked_entry,
    damaged_entries,
    entries,
    entry_picture,
    reminders,
    withdraw_entry,
    write_upkeep_csv,
)

__all__ = [
    "UPKEEP",
    "Access",
    "BadEntry",
    "Damaged",
    "Health",
    "Imported",
    "Json",
    "Log",
    "LogError",
    "LogMissing",
    "NoSuchEntry",
    "PictureRule",
    "Pruned",
    "Rescue",
    "Settings",
    "add_entry",
    "back_up",
    "check",
    "checked_entry",
    "damaged_entries",
    "default_folder",
    "draw_chart",
    "entries",
    "entry_picture",
    "import_folder",
    "import_json",
    "one_line",
    "reminders",
    "rescue",
    "restore",
    "what_to_draw",
    "withdraw_entry",
    "write_for_good",
    "write_upkeep_csv",
    "written_whole",
]
