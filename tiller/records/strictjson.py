"""JSON as its standard has it (RFC 8259): no NaN, no Infinity, no number that overflows, no nesting without end."""

from __future__ import annotations

import json
import math
from typing import Any

MOST_DIGITS = 18


def strict_json(text: str) -> Any:
    """What the text holds.

    Raises:
        ValueError: it is no JSON, or holds a number that no measurement has.
    """

    def refuse(constant: str) -> float:
        msg = f"{constant} is no JSON"
        raise ValueError(msg)

    def finite(number: str) -> float:
        value = float(number)
        if not math.isfinite(value):
            msg = f"{number[:20]} is no finite number"
            raise ValueError(msg)
        return value

    def short(number: str) -> int:
        if len(number) > MOST_DIGITS:
            msg = f"a number of {len(number)} digits"
            raise ValueError(msg)
        return int(number)

    try:
        return json.loads(text, parse_constant=refuse, parse_float=finite, parse_int=short)
    except RecursionError as err:
        msg = "nested too deeply"
        raise ValueError(msg) from err
