"""What all sections of a report share: the numbered rows, and the small parts they are set from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from earwitness.core.mode import registry
from earwitness.view.data import Plate, ReportData, Row
from earwitness.view.digest import Digest, flags_of
from earwitness.view.markup import Markup, anchor, link, tag, text
from earwitness.view.words import (
    clock,
    frequency,
    moment,
    number,
    plain,
)

Section = tuple[str, str, Markup]

MOST_PLATES = 60
MOST_EMISSIONS = 600  # listed
MOST_IDENTITIES = 500
MOST_OVERS = 200
_DAY_NS = 86_400_000_000_000

CLASS_WORDS = {
    "am": "amplitude modulation",
    "fm": "frequency modulation",
    "ssb": "single sideband",
    "cw": "Morse keying",
    "fsk2": "2-level frequency keying",
    "fsk4": "4-level frequency keying",
    "psk": "phase keying",
    "ook": "on-off keying",
    "carrier": "bare carrier",
    "noise-like": "noise-like digital",
    "chirp": "frequency sweep",
    "unknown": "unknown",
}
_KINDS = {"aircraft": "aircraft", "radio-unit": "radio units"}


class Page:
    """The rows of a report, ordered, numbered and counted once."""

    def __init__(self, data: ReportData) -> None:
        self.data = data
        self.digest = Digest(data.messages)
        self._dated = _days(data) > 1
        ordered = sorted(data.emissions, key=lambda row: moment(row.get("start")) or 0)
        self.real = [row for row in ordered if not row.get("artefact")]
        self.false = [row for row in ordered if row.get("artefact")]
        self.false_count = max(total(data, "artefacts"), len(self.false))
        self.emission_count = max(total(data, "emissions") - self.false_count, len(self.real))
        self.alias = {
            str(other): str(row.get("id")) for row in data.identities for other in row.get("joined_ids") or ()
        }
        self.identity_count = max(total(data, "identities") - len(self.alias), len(data.identities))
        self.over_count = max(total(data, "overs"), len(data.overs))
        known = data.totals.get("classes") if self.emission_count > len(self.real) else None
        self.classes = Counter(
            known
            if isinstance(known, dict)
            else [plain(row.get("class") or "unknown", limit=30) for row in self.real]
        )
        self.listed = _foremost(self.real)
        self.people = sorted(data.identities, key=lambda row: -(number(row.get("message_count")) or 0))[
            :MOST_IDENTITIES
        ]
        self._rows = {f"em-{row.get('id')}" for row in self.listed} | {
            f"id-{row.get('id')}" for row in self.people
        }
        self.number = {str(row.get("id")): n for n, row in enumerate(self.real, 1)}
        self.names = {str(row.get("id")): identity_name(row) for row in data.identities}
        self.names |= {other: self.names[lead] for other, lead in self.alias.items()}
        kinds = data.totals.get("identity_kinds")
        self.kinds = Counter(
            kinds if isinstance(kinds, dict) else [plain(r.get("kind"), limit=30) for r in data.identities]
        )
        if isinstance(kinds, dict):
            for row in data.identities:
                self.kinds[row.get("kind")] -= len(row.get("joined_ids") or ())
        self.overs_of = Counter(str(row.get("emission_id")) for row in data.overs)
        self.first_over: dict[str, str] = {}
        for row in data.overs[:MOST_OVERS]:
            self.first_over.setdefault(str(row.get("emission_id")), str(row.get("id")))
        self.first_message: dict[str, str] = {}
        for group in self.digest.groups.values():
            for row in group.rows:
                self.first_message.setdefault(str(row.get("emission_id")), str(row.get("id")))
        self.shown_messages = {
            str(row.get("id")) for group in self.digest.groups.values() for row in group.rows
        }
        self.plates_of: dict[str, list[Plate]] = {}
        for plate in data.plates[:MOST_PLATES]:
            self.plates_of.setdefault(plate.subject, []).append(plate)

    def clock(self, value: Any, digits: int = 3) -> str:
        """Give a time of day, with the date where the log spans more than one."""
        return clock(value, date=self._dated, digits=digits)

    def samples_link(self, row: Row) -> Markup | None:
        """Give a link to the file of I/Q that a row rests on, nothing where none is kept."""
        path = self.data.located(row.get("evidence_id"))
        said = f"I/Q of {plain(row.get('id'), limit=40)}"
        return tag("a", "I/Q", href=link(path), aria_label=said) if path else None

    def what(self, row: Row) -> str:
        """Give class, mode and label of an emission in words."""
        kind = plain(row.get("class") or "unknown", limit=30)
        parts = [CLASS_WORDS.get(kind, kind)]
        if row.get("mode"):
            parts.append(plain(row["mode"], limit=30))
        if row.get("label"):
            parts.append(plain(row["label"], limit=60))
        return ", ".join(parts)

    def emission_link(self, ident: Any) -> Markup:
        """Give a link to an emission by its number, the number alone if it is not listed, nothing if it has none."""
        n = self.number.get(str(ident))
        return self.row_link(f"em-{ident}", f"emission {n}") if n else Markup()

    def identity_link(self, ident: str, words: str | None = None) -> Markup:
        """Give a link to an identity by its name, or that of the one it is tied to."""
        shown = self.alias.get(ident, ident)
        return self.row_link(f"id-{shown}", words or self.names.get(shown, plain(ident, limit=60)))

    def has_row(self, identifier: str) -> bool:
        """Tell whether an emission ("em-...") or identity ("id-...") is listed in the page."""
        return identifier in self._rows

    def row_link(self, identifier: str, words: str) -> Markup:
        """Give a link to a listed emission or identity, the words alone where it is not listed."""
        return to(identifier, words) if self.has_row(identifier) else text(words)

    def who(self, row: Row) -> Markup:
        """Give a link to a message's sender, or its frequency."""
        ident = row.get("identity")
        if isinstance(ident, str):
            return self.identity_link(ident)
        return text(frequency(row.get("frequency_hz")))


def _foremost(rows: Sequence[Row]) -> list[Row]:
    """Give the emissions that are listed, in order of time: all, or those that are flagged or strongest."""
    if len(rows) <= MOST_EMISSIONS:
        return list(rows)
    best = sorted(rows, key=lambda row: (not flags_of(row), -(number(row.get("snr_db")) or 0)))[
        :MOST_EMISSIONS
    ]
    return sorted(best, key=lambda row: moment(row.get("start")) or 0)


def _days(data: ReportData) -> int:
    """Give on how many days UTC the rows and recordings lie, counted from first to last."""
    ends = [at for r in data.recordings for at in (r.start_ns, r.stop_ns)]
    ends += [at for row in (*data.emissions, *data.overs) if (at := moment(row.get("start"))) is not None]
    ends += [at for row in data.identities if (at := moment(row.get("last_seen"))) is not None]
    return max(ends) // _DAY_NS - min(ends) // _DAY_NS + 1 if ends else 1


def to(identifier: str, words: object) -> Markup:
    """Give a link to a place in the page."""
    return tag("a", words, href=anchor(identifier))


def small(words: object) -> Markup | None:
    """Give a small line, or nothing for no words."""
    return tag("small", words) if words else None


def pair(main: Markup, *note: Any) -> Markup:
    """Set text with a note in the margin."""
    return tag("div", main, tag("aside", tag("p", *note), class_="note"), class_="pair")


def table(
    caption: str, heads: Sequence[str], rows: Iterable[Markup], *, class_: str = "", sortable: bool = False
) -> Markup:
    """Give a table in a box that scrolls when it must."""
    head = tag("thead", tag("tr", *(tag("th", word, scope="col") for word in heads)))
    return tag(
        "div",
        tag(
            "table",
            tag("caption", caption),
            head,
            tag("tbody", *rows),
            class_=f"stack {class_}".strip(),
            data_sortable=sortable,
        ),
        class_="sheet wide",
    )


def pct(part: float) -> str:
    """Give a part of one as per cent, for SVG."""
    return f"{100 * part:.3f}%"


def identity_name(row: Row) -> str:
    """Give the name an identity goes by, else its key."""
    names = row.get("names")
    if isinstance(names, list | tuple) and names and names[0]:
        return plain(names[0], limit=60)
    return plain(row.get("key"), limit=60)


def mode_title(name: str) -> str:
    """Give a mode's title for people."""
    known = registry().get(name)
    return known.title if known else name


def plural(kind: str, n: int) -> str:
    """Give the word for a kind of identity, by number."""
    return kind if n == 1 else _KINDS.get(kind, f"{kind[:-1]}ies" if kind.endswith("y") else f"{kind}s")


def total(data: ReportData, what: str) -> int:
    """Give how many of something the log holds, 0 if unknown."""
    return int(number(data.totals.get(what)) or 0)
