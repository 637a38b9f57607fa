"""The form of causes in the data, as JSON schemas made of their types. Pure."""

import types
from dataclasses import fields, is_dataclass
from datetime import datetime, timedelta
from enum import Enum
from typing import Any, Union, get_args, get_origin, get_type_hints

from windowwatch.scoring.values import FACTS
from windowwatch.windows.causes import KINDS, Cause

_PLAIN = {str: "string", bool: "boolean", int: "integer", float: "number"}
_FACT_KINDS: dict[Any, str] = {kind: word for word, kind in FACTS.items()}


def cause_schema() -> dict[str, Any]:
    """One object for each kind of cause, told apart by its `kind`."""
    return {"oneOf": [_object(kind, word) for word, kind in KINDS.items()]}


def _object(kind: Any, word: str | None) -> dict[str, Any]:
    hints = get_type_hints(kind)
    held = {f.name: _of(hints[f.name]) for f in fields(kind)}
    properties = {**({} if word is None else {"kind": {"const": word}}), **held}
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _of(hint: Any) -> dict[str, Any]:
    """Schema of a type, in the form in which `windowwatch.storage.rows` writes it."""
    if get_origin(hint) in (Union, types.UnionType):
        return {"anyOf": [_of(each) for each in get_args(hint)]}
    if get_origin(hint) is tuple:
        items = get_args(hint)
        if items[-1] is Ellipsis:
            return {"type": "array", "items": _of(items[0])}
        return {"type": "array", "prefixItems": [_of(each) for each in items],
                "minItems": len(items), "maxItems": len(items)}  # fmt: skip
    if hint is type(None):
        return {"type": "null"}
    if hint is datetime:
        return {"type": "string", "format": "date-time"}
    if hint is timedelta:
        return {"type": "number", "description": "seconds"}
    if hint is Cause:
        return {"$ref": "#/components/schemas/Cause"}
    if isinstance(hint, type) and issubclass(hint, Enum):
        return {"type": "string", "enum": [str(each) for each in hint]}
    if is_dataclass(hint):
        return _object(hint, _FACT_KINDS.get(hint))
    return {"type": _PLAIN[hint]}
