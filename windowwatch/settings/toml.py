"""TOML read for people: every line that is none, with what was expected there and how to write it.

The grammar is Python's own reader's; here its answers become those of a colleague. A line that can
only be meant in one way is read as it was meant, so that the rest of the file is looked at, too,
and all faults come in one round.
"""

import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from windowwatch.errors import SettingsError
from windowwatch.wording.settings import in_unit

#: Larger settings files are refused: this one was surely given by mistake. [byte]
LARGEST_FILE = 1_000_000
#: A file with more broken lines than this is no settings file.
_MOST_FAULTS = 20


@dataclass
class Read:
    """What a text holds, and what is wrong with it as TOML.

    Attributes
    ----------
    document : dict
        Of the lines that are TOML, or can only be meant in one way.
    faults : list of str
        One for each broken line.
    lost : bool
        Whether lines were left out: what is missing may stand in one of them.
    """

    document: dict[str, Any] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    lost: bool = False


def settings_text(path: Path) -> str:
    """The text of a settings file.

    Raises
    ------
    SettingsError
        If it is missing, too large, or no text.
    """
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise SettingsError(f"{path}: is too large to be a settings file; fix the path")
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise SettingsError(
            f"{path}: no such file; name your settings file with --settings "
            "(config/skerra.toml is an example), or make one: windowwatch new"
        ) from error
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: is not text in UTF-8, so not a settings file") from error


def read_toml(text: str) -> Read:
    """Read a text, and go on after each line that is not TOML.

    Examples
    --------
    >>> read = read_toml('gas = hydrogen')
    >>> read.document, read.faults
    ({'gas': 'hydrogen'}, ['line 1 is not valid TOML: put text in quotes: gas = "hydrogen"'])
    """
    # before the lines are cut: a string or list may go over several
    lines = text.replace("\r\n", "\n").split("\n")
    read = Read()
    for _ in range(_MOST_FAULTS):
        try:
            read.document = tomllib.loads("\n".join(lines))
        except tomllib.TOMLDecodeError as error:
            number = _line(str(error), lines)
            fault = _fault(lines, number, str(error))
            read.faults.append(f"line {number + 1} is not valid TOML: {fault.words}")
            for at, instead in fault.instead.items():
                lines[at] = instead
            read.lost = read.lost or fault.loses
        except RecursionError:
            read.faults.append("is not valid TOML: lists or tables stand in one another too deep")
            read.lost = True
            return read
        else:
            return read
    read.faults.append("and perhaps more of it is not valid TOML; fix these first")
    read.lost = True
    return read


@dataclass(frozen=True)
class _Fault:
    """What is said of a broken line, and what is read instead of which lines (by number from 0)."""

    words: str
    instead: dict[int, str]
    loses: bool = False


#: Where Python's reader stopped; from 3.14 on a number of its own, before that in its words.
_STOPPED = re.compile(r"\(at line (\d+), column (\d+)\)$")


def _line(said: str, lines: list[str]) -> int:
    """Number from 0 of the line that is broken."""
    found = _STOPPED.search(said)
    last = max((n for n, line in enumerate(lines) if line.strip()), default=0)
    at = last if found is None else min(int(found[1]) - 1, last)
    if said.startswith(("Unclosed", "Unterminated", 'Expected "\'"', "Illegal character '\\n'")):
        return _opening(lines, at)
    return at


_KEY = r"[A-Za-z0-9_.\-\"']+"
_PAIR = re.compile(rf"^(?P<indent>\s*)(?P<key>{_KEY})\s*=\s*(?P<value>.*?)\s*$")


def _opening(lines: list[str], at: int) -> int:
    """The line at or above one, on which what was never closed begins."""
    for number in range(at, -1, -1):
        found = _PAIR.match(lines[number])
        if found and re.match(r"^(\[|\{|\"\"\"|'''|\"|')", found["value"]):
            if number == at and not _open(found["value"]):
                continue
            return number
    return at


def _open(value: str) -> bool:
    """Whether a value opens more brackets or quotes than it closes."""
    bare = re.sub(r'"[^"]*"|\'[^\']*\'', "", value)
    return (
        bare.count("[") > bare.count("]")
        or bare.count("{") > bare.count("}")
        or "'" in bare
        or '"' in bare
    ) or bool(re.match(r"^\[.*\S\s+\S.*\]", value))


def _fault(lines: list[str], number: int, said: str) -> _Fault:
    """What is wrong with a line."""
    line = lines[number]
    if said.startswith("Cannot"):
        return _twice(lines, number, said)
    for look in (_as_comment, _as_header, _as_pair, _as_key):
        found = look(line)
        if found is not None:
            words, instead = found
            if instead is None:
                return _left_out(lines, number, words)
            return _Fault(words, {number: instead})
    return _left_out(
        lines, number, f"{_shown(line)}; expected a line such as draws = 64, or a [table]"
    )


def _left_out(lines: list[str], number: int, words: str) -> _Fault:
    """Leave a line out, with those that only go on with its value."""
    instead = {number: ""}
    value = _PAIR.match(lines[number])
    if value and value["value"].startswith(("[", "{", '"""', "'''")):
        for at in range(number + 1, len(lines)):
            if _PAIR.match(lines[at]) or _HEADER.match(lines[at]):
                break
            instead[at] = ""
    return _Fault(words, instead, loses=True)


_HEADER = re.compile(
    r"^\s*(?P<open>\[{1,2})\s*(?P<name>[\w.\-\" ]*?)\s*(?P<close>\]*)\s*(?P<rest>#.*)?$"
)


def _twice(lines: list[str], number: int, said: str) -> _Fault:
    """A key or table that stands twice: the second one is not read."""
    header = _HEADER.match(lines[number])
    if header is None or not header["close"]:
        pair = _PAIR.match(lines[number])
        key = pair["key"] if pair else lines[number].strip()
        words = f"{key} stands a second time in its table; take one of the two lines out"
        return _Fault(words, {number: ""})
    name = header["name"]
    end = next((at for at in range(number + 1, len(lines)) if _HEADER.match(lines[at])), len(lines))
    words = f"the table [{name}] stands a second time; put all its keys below the first [{name}]"
    if header["open"] == "[[" or "array" in said or f"[[{name}]]" in "\n".join(lines[:number]):
        words = f"[{name}] and [[{name}]] both stand here; write all of them the same way"
    return _Fault(words, dict.fromkeys(range(number, end), ""), loses=True)


def _as_comment(line: str) -> tuple[str, str | None] | None:
    found = re.match(r"^\s*(//|;|--|/\*|%)", line)
    return (f"a comment begins with #, not with {found[1]}", "") if found else None


def _as_header(line: str) -> tuple[str, str | None] | None:
    """A head of a table that is not closed, or has spaces in it."""
    if not line.lstrip().startswith("["):
        return None
    found = re.match(r"^\s*(\[{1,2})\s*([^\]#=]*?)\s*\]*\s*(#.*)?$", line)
    if not found or not found[2]:
        return "the head of a table is written as [train], or [[sites]]", None
    name = re.sub(r"\s+", "_", found[2].strip(" \"'"))
    if not re.fullmatch(r"[\w.\-]+", name, re.ASCII):
        return "the head of a table is a name in brackets, as [train]", None
    right = f"{found[1]}{name}{']' * len(found[1])}"
    return f"the head of a table ends as it begins: {right}", right


def _as_key(line: str) -> tuple[str, str | None] | None:
    """A line whose key is not followed by =, or is none."""
    found = re.match(rf"^\s*({_KEY})\s*(:=?|==|=>|->)\s*(.+)$", line)
    if found:
        return f"write = between a key and its value: {found[1]} = {found[3].strip()}", (
            f"{found[1]} = {found[3]}"
        )
    words, equals, value = line.partition("=")
    key = re.sub(r"\s+", "_", words.strip())
    if equals and re.fullmatch(r"[A-Za-z0-9_\-]+", key) and key != words.strip():
        return f"a key is one word: {key} = {value.strip()}", f"{key} ={value}"
    if equals and words.strip():
        return f"a key has letters a to z, digits and _: {words.strip()} is none", None
    if equals:
        return f"there is no key before the =: {_shown(line)}", None
    found = re.match(rf"^\s*({_KEY})\s+(\S.*)$", line)
    if found and re.match(r"^[-+.\d\"'\[]", found[2]):
        return f"write = between a key and its value: {found[1]} = {found[2]}", (
            f"{found[1]} = {found[2]}"
        )
    return None


def _without_comment(value: str) -> str:
    """A value without the comment behind it, which may hold quotes."""
    if value[:1] in {'"', "'", "[", "{"}:
        return re.sub(r"\s+#[^\"']*$", "", value).strip()
    return value.partition("#")[0].strip()


def _as_pair(line: str) -> tuple[str, str | None] | None:
    """A key with a value that is none."""
    found = _PAIR.match(line)
    if not found:
        return None
    key, value = found["key"], found["value"]
    bare = _without_comment(value)
    for look in _VALUES:
        answer = _measured(key, bare) or look(bare)
        if answer is None:
            continue
        words, right = answer
        if right is None:
            return f"{key}: {words}", None
        pair = f"{key} = {right}"
        return f"{words}: {_shown(pair)}", pair
    return f"{_shown(line)}; expected a number, true or false, a time, or text in quotes", None


_TIME = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)(:\d\d)? ?(Z|UTC|[-+]\d\d:?\d\d)?")
#: What is said of a value, and the value as it was meant, where that is sure.
_Answer = tuple[str, str | None] | None


def _empty(value: str) -> _Answer:
    return (
        None if value else ("there is nothing behind the =; write its value, or take it out", None)
    )


def _number(value: str) -> _Answer:
    """Numbers as they are written elsewhere."""
    if value.endswith(",") and re.fullmatch(r"[-+]?[\d.]+,+|\"[^\"]*\",+", value):
        return "no comma at the end of a line", value.rstrip(",")
    if re.fullmatch(r"[-+]?\d+,\d+", value):
        return "write a point, not a comma", value.replace(",", ".")
    if re.fullmatch(r"[-+]?\d{1,3}([.,' ]\d{3})+([.,]\d+)?", value):
        return "a number has no signs between its thousands; write it as 1200 or 1.2", None
    if re.fullmatch(r"[-+]?0\d+(\.\d+)?", value):
        sign = value[0] if value[0] in "-+" else ""
        return "a number does not begin with 0", sign + (value.lstrip("-+").lstrip("0") or "0")
    if re.fullmatch(r"[-+]?\.\d+", value):
        return "write a digit before the point", value.replace(".", "0.")
    if re.fullmatch(r"[-+]?\d+\.", value):
        return "write a digit behind the point", f"{value}0"
    if "\u2212" in value and re.fullmatch(r"\u2212[\d.]+", value):
        return "write a plain minus", value.replace("\u2212", "-")
    found = re.fullmatch(r"([-+]?[\d.]+)\s*°?\s*([NSEWOnsewo])", value)
    if found and found[2].upper() != "O":
        sign = "-" if found[2].upper() in "SW" else ""
        words = "write degrees as a number; south and west are below zero"
        doubtful = found[1].startswith("-") and not sign
        return words, None if doubtful else sign + found[1].lstrip("-+")
    return None


def _measured(key: str, value: str) -> _Answer:
    """A number with its unit behind it, which is in the key's name."""
    found = re.fullmatch(
        r"([-+]?\d+(?:\.\d+)?)\s*(%|[A-Za-z\u00b5\u00b0/][\w/\u00b2\u00b3]*)", value
    )
    if not found or found[2] in {"N", "S", "E", "W"}:
        return None
    number, unit = found[1], found[2]
    wanted = key.rpartition("_")[2]
    right = in_unit(float(number), unit, wanted)
    words = f"write the number alone; the key's name says its unit, not {unit}"
    if unit == wanted:
        return "write the number alone; its unit is in the key's name", number
    return words, None if right is None else f"{right:.6g}"


def _moment(value: str) -> _Answer:
    """Days and times as they are written elsewhere."""
    if re.fullmatch(r"\d{1,2}:\d{2}", value):
        return "a time of day has seconds", f"{value.zfill(5)}:00"
    found = re.fullmatch(
        r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d)(:\d\d)? ?(Z|UTC|[-+]\d\d:?\d\d)?", value
    )
    if found:
        zone = (found[4] or "").replace("UTC", "Z")
        if len(zone) == 5 and zone != "Z":
            zone = f"{zone[:3]}:{zone[3:]}"
        right = f"{found[1]}T{found[2]}{found[3] or ':00'}{zone}"
        return "a time has seconds, and its offset from UTC or Z behind it", right
    if re.match(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}", value):
        return "a time is written as 2026-05-05T06:00:00-02:00, or with Z at its end for UTC", None
    return None


def _text(value: str) -> _Answer:
    """Truths and texts."""
    if value.lower() in {"true", "yes", "on", "false", "no", "off"}:
        meant = value.lower() in {"true", "yes", "on"}
        return "write true or false in small letters", str(meant).lower()
    if value.lower() in {"none", "null", "nil"}:
        return "there is no word for nothing; take the line out", None
    if re.match("[\u201c\u201d\u201e\u00ab\u2018\u2019]", value):
        inner = value.strip("\u201c\u201d\u201e\u00ab\u00bb\u2018\u2019\"'")
        return "put text in straight quotes", f'"{inner}"'
    if re.match(r"^\"[^\"]*\\", value) and value.endswith('"'):
        return "write / instead of \\ in text", value.replace("\\", "/")
    if re.fullmatch(r"[\"'][^\"'\[\]]*", value):
        return "the text has no quote at its end", f'"{value[1:]}"'
    if re.fullmatch(r"[^\"'\[\]{}]*[^\"'\[\]{}\s][\"']", value):
        return "the text has no quote at its beginning", f'"{value[:-1]}"'
    if re.fullmatch(
        r"(\"[^\"]*\"|'[^']*')(\s+(\"[^\"]*\"|'[^']*'))+|(\"[^\"]*\")(,\s*\"[^\"]*\")+", value
    ):
        return "put several values in square brackets, with commas between them", None
    if re.match(r"[A-Za-z]", value) and '"' not in value:
        return "put text in quotes", f'"{value}"'
    return None


def _several(value: str) -> _Answer:
    """Lists and tables."""
    if value.startswith("["):
        return "the list has no ] at its end, or no comma between two of its values", None
    if value.startswith("{"):
        return "the table has no } at its end, or no comma between two of its keys", None
    if value.startswith(('"""', "'''")):
        return f"the text has no {value[:3]} at its end", None
    return None


_VALUES: tuple[Callable[[str], _Answer], ...] = (_empty, _several, _moment, _number, _text)


def _shown(line: str) -> str:
    """A line as it stands in the file, cut short; an address may hold a secret: not shown."""
    text = re.sub(r"(\w+)://\S*", r"\1://…", line.strip())
    return text if len(text) <= 70 else text[:67] + "…"
