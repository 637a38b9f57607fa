"""Logs: one set-up for the daemon and its child processes, as text or as JSON lines."""

import json
import logging
import sys
import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime


@dataclass(frozen=True)
class LogStyle:
    """How logs are written; handed to child processes so that theirs look the same.

    Parameters
    ----------
    level : int
        Of our own loggers, as `logging` counts.
    json_lines : bool
        One JSON object a line: `at`, `level`, `logger`, `message`, and `cycle` where a line
        belongs to one.
    """

    level: int = logging.WARNING
    json_lines: bool = False

    def set_up(self) -> None:
        """Send the logs of this process to standard error in this style."""
        handler = logging.StreamHandler(sys.stderr)
        handler.setFormatter(_JsonLines() if self.json_lines else _TEXT)
        root = logging.getLogger()
        for old in root.handlers[:]:
            root.removeHandler(old)
        root.addHandler(handler)
        root.setLevel(logging.WARNING)
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        logging.getLogger("windowwatch").setLevel(self.level)


class _Text(logging.Formatter):
    """Text whose further lines are set in, so that no message looks like two."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802
        lines = super().formatMessage(record).split("\n")
        return "\n    ".join("".join(map(_plain, line)) for line in lines)


def _plain(character: str) -> str:
    """A character for a terminal: what would steer it is written as an escape."""
    if character == "\t" or unicodedata.category(character) != "Cc":
        return character
    return character.encode("unicode_escape").decode("ascii")


_TEXT = _Text("%(asctime)s %(levelname)-7s %(message)s", "%Y-%m-%dT%H:%M:%S%z")


class _JsonLines(logging.Formatter):
    """One JSON object for each record."""

    def format(self, record: logging.LogRecord) -> str:
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        line = {
            "at": at,
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        cycle = getattr(record, "cycle", None)
        if cycle is not None:
            line["cycle"] = cycle
        if record.exc_info:
            line["trace"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)
