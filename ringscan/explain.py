"""Puts what the checking library finds wrong in a file into plain words."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel


def explain(error: Any, schema: type[BaseModel]) -> str:
    """Say of one wrong value its key, what was given, what is allowed, and what the key means.

    Parameters
    ----------
    error : one of `ValidationError.errors()`
    schema : against which the whole was checked
    """
    key = ".".join(p if str(p).isprintable() else repr(p) for p in map(str, error["loc"]))
    kind, context = error["type"], error.get("ctx", {})
    if kind == "missing":
        said = f"{key} is missing"
    elif kind == "extra_forbidden":
        return f"{key} is not a key of a plan; remove it or check its spelling"
    elif kind == "value_error":
        return f"{key}: {context['error']}" if key else str(context["error"])
    else:
        given = repr(error["input"])
        given = given if len(given) <= 40 else f"{given[:39]}…"
        said = f"{key} = {given}: {_SAID.get(kind) or error['msg'].replace('Input', 'it', 1)}"
    allowed = _allowed(error["loc"], schema)
    return f"{said} ({allowed})" if allowed else said


_SAID = {
    "model_type": "it should be a table of keys",
    "tuple_type": "it should be a list",
    "string_pattern_mismatch": "it has other characters or is too long",
}
"""Plain words where the checking library speaks of Python."""


def _allowed(loc: tuple[Any, ...], schema: type[BaseModel]) -> str:
    """Range and meaning of the field at `loc`, from the schema itself."""
    model: Any = schema
    info = None
    for part in loc:
        if isinstance(part, int):  # an item of a list: the list's own meaning
            break
        fields = getattr(model, "model_fields", {})
        if part not in fields:
            return ""
        info = fields[part]
        candidates = (info.annotation, *getattr(info.annotation, "__args__", ()))
        model = next((c for c in candidates if hasattr(c, "model_fields")), None)
    if info is None:
        return ""
    if info.description is None:
        return f"a table with the keys {', '.join(model.model_fields)}" if model else ""
    low = next((m.ge for m in info.metadata if hasattr(m, "ge")), None)
    high = next((m.le for m in info.metadata if hasattr(m, "le")), None)
    bounds = f"; {low:g} to {high:g}" if low is not None and high is not None else ""
    return f"{info.description}{bounds}"
