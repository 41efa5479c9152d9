"""Absolute time: integer nanoseconds UTC inside, RFC 3339 text at the edges."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from earwitness.core.errors import ParameterError

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d{1,12}))?([Zz]|[+-]\d\d:[0-5]\d)"
)


def parse_time(text: str) -> int:
    """Give nanoseconds UTC for RFC 3339 text; raises ParameterError on anything else."""
    match = _RFC3339.fullmatch(text.strip())
    if not match:
        raise ParameterError(f"{text!r} is not a time; write it like 2026-11-25T08:30:00Z")
    year, month, day, hour, minute, second, fraction, zone = match.groups()
    leap = 1 if second == "60" else 0
    if zone not in "Zz" and int(zone[1:3]) > 23:
        raise ParameterError(f"{text!r} is not a time: its zone is off by more than a day")
    try:
        moment = datetime(
            int(year), int(month), int(day), int(hour), int(minute), int(second) - leap, tzinfo=UTC
        )
        if zone not in "Zz":
            sign = -1 if zone[0] == "-" else 1
            moment -= sign * timedelta(hours=int(zone[1:3]), minutes=int(zone[4:6]))
    except (ValueError, OverflowError) as error:
        raise ParameterError(f"{text!r} is not a time: {error}") from error
    whole = (moment - _EPOCH) // timedelta(seconds=1) + leap
    return whole * 1_000_000_000 + int((fraction or "").ljust(9, "0")[:9])


def format_time(ns: int) -> str:
    """Give RFC 3339 UTC text with microseconds, truncated, for nanoseconds UTC."""
    moment = _EPOCH + timedelta(microseconds=ns // 1000)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond:06d}Z"
