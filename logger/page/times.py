"""Moments as the page gets them."""

from __future__ import annotations

import datetime


def iso_utc(utc_ns: int) -> str:
    """Return a moment as ISO 8601 with milliseconds and Z."""
    milliseconds = utc_ns // 1_000_000
    moment = datetime.datetime.fromtimestamp(milliseconds // 1000, tz=datetime.UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{milliseconds % 1000:03d}Z"
