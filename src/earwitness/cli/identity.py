"""`earwitness identity`: who an identity is, what ties it to others, and what the user says of it."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness.cli.common import find_identity, open_log, print_json, print_shown
from earwitness.core.errors import ParameterError

if TYPE_CHECKING:
    from rich.console import RenderableType

    from earwitness.log.queries import Row
    from earwitness.log.store import Log

MOST_SHOWN = 40  # others to whom an identity is tied

# What a relation makes of its two ends, seen from the first and from the second.
_SAID = {
    "same": ("one with", "one with"),
    "perhaps": ("perhaps", "perhaps"),
    "mentioned": ("mentioned", "mentioned by"),
}


def run_identity(
    entry: str,
    station: Path | None,
    *,
    json: bool,
    label: str | None,
    unlabel: str | None,
    part: str | None,
    join: str | None,
) -> None:
    """Do what is asked, then show the identity."""
    with open_log(station) as log:
        who = find_identity(log, entry)
        if unlabel is not None:
            _take_off(log, who, unlabel)
        if label is not None:
            log.label(who, label)
        for whom, undone in ((part, True), (join, False)):
            if whom is not None:
                for tie in _ties_between(log.relations(who), who, whom, entry):
                    log.undo_relation(tie["id"], undone=undone)
        found = log.entry(who)
        told_by = _evidence_of(log, found["relations"])
    if json:
        print_json(found)
        return
    from earwitness.view.evidence import describe

    print_shown(describe({**found, "relations": ()}), *_ties(found, told_by, station))


def _take_off(log: Log, who: str, label: str) -> None:
    if label not in log.entry(who)["labels"]:
        raise ParameterError(f"there is no label {label!r} on it")
    log.unlabel(who, label)


def _other(tie: Row, who: str) -> tuple[str, str, str]:
    """Give id, kind and key of the other end of a tie."""
    end = "b" if tie["a"] == who else "a"
    return tie[end], tie[f"{end}_kind"], tie[f"{end}_key"]


def _ties_between(ties: Iterable[Row], who: str, whom: str, entry: str) -> list[Row]:
    """Give all ties to the one whom an id, a key or one of the ties names: several rules may say the same."""
    ties = list(ties)
    named = {_other(tie, who)[0] for tie in ties if whom in (tie["id"], *_other(tie, who)[::2])}
    if not named:
        raise ParameterError(
            f"{entry} is not tied to {whom!r}; `earwitness identity {entry}` shows to whom it is"
        )
    if len(named) > 1:
        raise ParameterError(f"{whom!r} names {len(named)} of them; choose by id: {', '.join(sorted(named))}")
    return [tie for tie in ties if _other(tie, who)[0] in named]


def _evidence_of(log: Log, ties: Iterable[Row]) -> dict[str, Row]:
    """Give the messages that the ties rest on, by id."""
    out = {}
    for wanted in {str(tie["message_id"]) for tie in ties if tie["message_id"]}:
        out.update({row["id"]: row for row in log.messages(id=wanted, superseded=True)})
    return out


def _ties(found: dict[str, Any], told_by: dict[str, Row], station: Path | None) -> Iterator[RenderableType]:
    """Give what ties an identity to others: to whom, by which rules, on what evidence, and how to undo it."""
    from rich.padding import Padding
    from rich.text import Text

    from earwitness.view.words import clock, frequency, plain

    row = found["row"]
    others: dict[str, list[Row]] = {}
    for tie in found["relations"]:
        others.setdefault(_other(tie, row["id"])[0], []).append(tie)
    where = f" --station {shlex.quote(str(station))}" if station else ""
    for whom, ties in list(others.items())[:MOST_SHOWN]:
        _, kind, key = _other(ties[0], row["id"])
        parted = all(tie["undone"] for tie in ties)
        said = {
            _SAID.get(tie["relation"], (tie["relation"],) * 2)[tie["a"] != row["id"]]: None for tie in ties
        }
        head = Text(plain(", ".join(said), limit=80).capitalize(), style="bold")
        head.append(f" {plain(kind, limit=40)} {plain(key, limit=60)}")
        if parted:
            head.append(" PARTED BY HAND", style="bold")
        yield head
        for tie in ties:
            undone = " (parted by hand)" if tie["undone"] and not parted else ""
            yield Padding(Text(f"{plain(tie['rule'])}{undone}", overflow="fold"), (0, 0, 0, 2))
            message = told_by.get(str(tie["message_id"]))
            facts = f"message {plain(tie['message_id'], limit=40)}"
            if message:
                facts += f": {clock(message['time'], date=True)} UTC, {plain(message['mode'], limit=40)}, "
                facts += f"{frequency(message['frequency_hz'])}, {plain(message['kind'], limit=80)}, "
                facts += f"check {plain(message['check'], limit=20)}"
            facts += f"; last told {clock(tie['last_seen'], date=True)} UTC; {tie['id']}"
            yield Padding(Text(facts, style="dim", overflow="fold"), (0, 0, 0, 4))
        verb, whose = ("join", "again") if parted else ("part", "for good")
        command = f"earwitness identity {row['id']} --{verb} {whom}{where}"
        yield Padding(Text.assemble((f"{verb} them {whose}:  ", "dim"), command), (0, 0, 0, 2))
