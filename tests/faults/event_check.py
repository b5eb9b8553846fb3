"""Holds what the rig writes to the models of the record's events, with no member that they do not know."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from pydantic import ConfigDict, ValidationError

from grading.record.events import KINDS, EventMembers
from grading.record.format import utc_text

_HEAD = {"n": 1, "t_s": 0.0, "utc": utc_text(datetime(2026, 3, 2, tzinfo=UTC))}


def _closed(model: type[EventMembers]) -> type[EventMembers]:
    return type(model.__name__, (model,), {"model_config": ConfigDict(extra="forbid")})


_CLOSED = {kind: _closed(model) for kind, model in KINDS.items()}


def misfit(kind: str, data: Mapping[str, Any]) -> str:
    """Return what is wrong with an event: its kind, or a member that is misspelt, missing or wrong."""
    model = _CLOSED.get(kind)
    if model is None:
        return f"{kind}: no kind of event"
    try:
        model.model_validate({**json.loads(json.dumps(data)), **_HEAD, "kind": kind})
    except ValidationError as error:
        return f"{kind}: {'; '.join(str(each['loc']) + ' ' + each['msg'] for each in error.errors())}"
    return ""
