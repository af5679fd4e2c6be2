"""JSON text as sent by devices. Pure."""

from __future__ import annotations

import json
from typing import Any

from baytrace_adapters._numbers import Unreadable


def _no_constant(text: str) -> Any:
    raise ValueError(f"{text} is no JSON")


_decoder = json.JSONDecoder(parse_constant=_no_constant)


def document_of(payload: bytes) -> Any:
    """The document of a JSON text in UTF-8 (RFC 8259: no NaN, no Infinity). Raises Unreadable."""
    try:
        return _decoder.decode(payload.decode("utf-8"))
    except UnicodeDecodeError:
        raise Unreadable("is not UTF-8") from None
    except (ValueError, RecursionError) as error:
        raise Unreadable(f"is not JSON ({error})"[:160]) from None
