"""The report: one HTML page that stands alone, readable without scripts and without a network.

It is set like a printed survey report: prose first, each claim with a note in the margin that leads to
its evidence. The page forbids itself every address but embedded data (Content-Security-Policy), and every
word from the air goes through `markup.text`.
"""

from __future__ import annotations

import base64
import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness.core.errors import SourceError
from earwitness.core.mode import registry
from earwitness.core.times import format_time
from earwitness.view.canvas import heat_png, ticks, unit_for
from earwitness.view.chart import Place, draw
from earwitness.view.data import Media, Overview, Plate, Recording, ReportData, Row
from earwitness.view.digest import PER_GROUP, Digest, Group, flags_of, urgency
from earwitness.view.gather import gather
from earwitness.view.markup import Markup, anchor, embed, join, link, slug, tag, text
from earwitness.view.pictures import shrink, span_db
from earwitness.view.words import (
    NOTHING,
    clock,
    count,
    decibels,
    duration,
    frequency,
    grouped,
    listed,
    moment,
    number,
    occupancy,
    percent,
    plain,
    plus_minus,
    position,
    width,
    wilson,
)

if TYPE_CHECKING:
    from earwitness.log.store import Log

MOST_EMISSIONS = 600
MOST_BOXES = 1200
MOST_IDENTITIES = 500
MOST_CHANNELS = 300
MOST_OVERS = 200
MOST_PICTURES = 40
MOST_PLATES = 60
MOST_OVERVIEWS = 12
MEDIA_BYTES = 4_000_000  # of embedded audio and images from the air
PLATE_BYTES = 4_000_000  # of embedded evidence pictures

CAUTIONS = (
    "Whether you may receive a transmission, and whether you may tell others what you heard, differs from "
    "place to place. Much of what is here was not addressed to you: know the law where you are before you pass it on.",
    "Nothing here is fit for navigation, for collision avoidance or for any safety of life. Positions, "
    "names and numbers are what transmitters said of themselves; any of them can be wrong or invented.",
    "An antenna belongs nowhere near power lines. Go up no mast alone, fit a lightning arrester, and "
    "disconnect the antenna before a thunderstorm, not in it.",
)

_WORDS = {
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
    "unknown": "unknown",
}
_KINDS = {"aircraft": "aircraft", "radio-unit": "radio units"}


def render(data: ReportData) -> str:
    """Give the report as one HTML document."""
    return _Page(data).document()


def write_report(log: Log, station_dir: Path, target: Path) -> None:
    """Write the report of a station's log; SourceError when the file cannot be written."""
    target = Path(target)
    page = render(gather(log, Path(station_dir), beside=target.parent))
    partial = target.with_name(f".{target.name}.partial")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        partial.write_text(page, "utf-8")
        partial.replace(target)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise SourceError(f"report {target} cannot be written: {error.strerror}") from error


class _Page:
    """Numbers the rows, then writes section after section."""

    def __init__(self, data: ReportData) -> None:
        self.data = data
        self.digest = Digest(data.messages)
        ordered = sorted(data.emissions, key=lambda row: moment(row.get("start")) or 0)
        self.real = [row for row in ordered if not row.get("artefact")]
        self.false = [row for row in ordered if row.get("artefact")]
        missing = max(0, _total(data, "emissions") - len(ordered))
        self.emission_count = len(self.real) + missing
        self.identity_count = max(_total(data, "identities"), len(data.identities))
        self.over_count = max(_total(data, "overs"), len(data.overs))
        self.number = {str(row.get("id")): n for n, row in enumerate(self.real, 1)}
        self.names = {str(row.get("id")): _identity_name(row) for row in data.identities}
        kinds = data.totals.get("identity_kinds")
        self.kinds = Counter(
            kinds if isinstance(kinds, dict) else [plain(r.get("kind"), limit=30) for r in data.identities]
        )
        self.overs_of = Counter(str(row.get("emission_id")) for row in data.overs)
        self.plates_of: dict[str, list[Plate]] = {}
        for plate in data.plates[:MOST_PLATES]:
            self.plates_of.setdefault(plate.subject, []).append(plate)

    def document(self) -> str:
        """Give the whole page."""
        style, script = _asset("page.css"), _asset("page.js")
        policy = (
            "default-src 'none'; img-src data:; media-src data:; base-uri 'none'; form-action 'none'; "
            f"style-src '{_digest(style)}'; script-src '{_digest(script)}'"
        )
        sections = [
            self._flagged(),
            self._air(),
            self._emissions(),
            self._occupancy(),
            self._identities(),
            self._messages(),
            self._overs(),
            self._received_pictures(),
            self._evidence(),
            self._unknown(),
            self._health(),
            self._methods(),
            self._cautions(),
        ]
        shown = [(name, title, body) for name, title, body in filter(None, sections)]
        head = tag(
            "head",
            tag("meta", charset="utf-8"),
            Markup(f'<meta http-equiv="Content-Security-Policy" content="{text(policy)}">'),
            tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
            tag("meta", name="color-scheme", content="light dark"),
            tag("meta", name="referrer", content="no-referrer"),
            tag("title", f"{self._title()}: survey report"),
            Markup(f"<style>{style}</style>"),
        )
        body = tag(
            "body",
            tag("a", "Skip to the account", class_="skip", href=anchor("account")),
            self._header([(name, title) for name, title, _ in shown]),
            tag("main", *(self._section(*item) for item in shown), id="content"),
            self._footer(),
            Markup(f"<script>{script}</script>"),
        )
        return f'<!DOCTYPE html>\n<html lang="en">{head}{body}</html>\n'

    @staticmethod
    def _section(name: str, title: str, body: Markup) -> Markup:
        return tag(
            "section", tag("h2", title, id=f"{name}-title"), body, id=name, aria_labelledby=f"{name}-title"
        )

    # -- front ---------------------------------------------------------------------------------------------

    def _title(self) -> str:
        return plain(self.data.station.get("name") or "A survey of the air", limit=80)

    def _header(self, contents: list[tuple[str, str]]) -> Markup:
        where = self.data.station.get("place")
        span = self._span()
        dates = (
            f"{clock(span[0], date=True, digits=0)} to {_clock_after(span)} UTC" if span else "no recording"
        )
        line = join([f for f in (plain(where, limit=120) if where else None, dates) if f], " · ")
        docket = [
            ("Recordings", grouped(len(self.data.recordings))),
            ("Listened", duration(self._listened())),
            ("Emissions", grouped(self.emission_count)),
            ("Messages", grouped(self.digest.total)),
            ("Identities", grouped(self.identity_count)),
            ("Voice", grouped(self.over_count)),
        ]
        return tag(
            "header",
            tag("p", "Earwitness", tag("span", "Survey report"), class_="running"),
            tag("h1", self._title()),
            tag("p", line, class_="where"),
            tag(
                "div",
                tag("div", *(tag("p", part) for part in self._account()), class_="account", id="account"),
                tag(
                    "aside",
                    tag("dl", *(join([tag("dt", a), tag("dd", b)]) for a, b in docket), class_="docket"),
                    class_="note", aria_label="The survey in figures",
                ),
                class_="pair",
            ),
            tag(
                "nav",
                tag("ol", *(tag("li", tag("a", title, href=anchor(name))) for name, title in contents)),
                aria_label="Contents",
            ),
        )  # fmt: skip

    def _span(self) -> tuple[int, int] | None:
        known = self.data.recordings
        return (min(r.start_ns for r in known), max(r.stop_ns for r in known)) if known else None

    def _listened(self) -> float:
        return sum(max(0, r.stop_ns - r.start_ns) for r in self.data.recordings) / 1e9

    def _account(self) -> list[Markup]:
        """Give the findings in words; every claim leads to where it is shown."""
        recordings = self.data.recordings
        where = ""
        if len(recordings) == 1 and recordings[0].center_hz:
            one = recordings[0]
            where = f" at {frequency(one.center_hz, 1e3)}"
            where += f", {width(one.rate_hz)} wide" if one.rate_hz else ""
        elif len(recordings) > 1:
            where = f" in {count(len(recordings), 'recording')}"
        start = f"In {duration(self._listened())}{where}, " if recordings else "In what the log holds, "
        if not self.real:
            first = join([start, "no emission was found", self._aside_artefacts(), "."])
        else:
            first = join(
                [start, _to("emissions", count(self.emission_count, "emission")), " ",
                 "was" if self.emission_count == 1 else "were", " found", self._aside_artefacts(), "."]
            )  # fmt: skip
        out = [first]
        heard: list[Markup] = []
        if self.digest.total:
            modes = listed(
                [f"{_mode_title(name)} ({grouped(n)})" for name, n in self.digest.modes.most_common(6)]
            )
            heard.append(
                join([_to("messages", count(self.digest.total, "message")), f" passed their check: {modes}"])
            )
        if self.data.identities:
            kinds = [f"{grouped(n)} {_plural(kind, n)}" for kind, n in self.kinds.most_common(5)]
            heard.append(join([_to("identities", listed(kinds)), " made themselves known"]))
        if self.data.overs:
            heard.append(join([_to("voice", count(self.over_count, "voice transmission")), " can be heard"]))
        if heard:
            out.append(join([join(heard, "; "), "."]))
        unknown = [row for row in self.real if row.get("class") in (None, "unknown")]
        if unknown:
            out.append(join([_to("unknown", count(len(unknown), "emission")), " stayed unknown."]))
        urgent = [row for row in self.digest.flagged if min(map(urgency, flags_of(row))) < 4]
        if urgent:
            words = Counter(flag for row in urgent for flag in flags_of(row))
            told = listed([f"{word} ({grouped(n)})" for word, n in words.most_common(6)])
            out.insert(0, tag("strong", _to("flagged", f"Look at this first: {told}.")))
        return out

    def _aside_artefacts(self) -> Markup | None:
        if not self.false:
            return None
        traces = count(len(self.false), "trace")
        return join(
            [
                "; ",
                _to("receiver", traces),
                " of the receiver itself ",
                "was" if len(self.false) == 1 else "were",
                " set aside",
            ]
        )

    # -- flagged -------------------------------------------------------------------------------------------

    def _flagged(self) -> tuple[str, str, Markup] | None:
        people = [row for row in self.data.identities if flags_of(row)]
        people.sort(key=lambda row: min(map(urgency, flags_of(row))))
        emissions = [row for row in self.real if flags_of(row)]
        rows = self.digest.flagged
        if not (rows or people or emissions):
            return None
        items = [
            self._flag_item(row, self._who(row), clock(row.get("time")), self._gist(row)) for row in rows[:40]
        ]
        items += [
            self._flag_item(
                row,
                _to(f"id-{row.get('id')}", _identity_name(row)),
                clock(row.get("last_seen")),
                plain(row.get("kind")),
            )
            for row in people[:40]
        ]
        items += [
            self._flag_item(
                row,
                self._emission_link(row.get("id")),
                clock(row.get("start")),
                frequency(row.get("frequency_hz")),
            )
            for row in emissions[:20]
        ]
        told = self.digest.flagged_total + len(people) + len(emissions)
        more = (
            tag("p", f"{grouped(told - len(items))} more are not shown here.", class_="quiet")
            if told > len(items)
            else None
        )
        return "flagged", "Worth a look first", join([tag("ul", *items, class_="flags"), more])

    @staticmethod
    def _flag_item(row: Row, who: Markup, when: str, gist: object) -> Markup:
        level = min(map(urgency, flags_of(row)))
        return tag(
            "li",
            tag("b", listed(flags_of(row)), class_="flag urgent" if level < 4 else "flag"),
            " ", who, " ", tag("span", when, class_="quiet"), tag("br"), gist,
        )  # fmt: skip

    def _gist(self, row: Row) -> str:
        fields = row.get("fields")
        told = plain(fields, limit=260) if isinstance(fields, Mapping) else ""
        return f"{plain(row.get('mode'), limit=30)}, {plain(row.get('kind'), limit=80)}: {told}"

    # -- the air -------------------------------------------------------------------------------------------

    def _air(self) -> tuple[str, str, Markup] | None:
        if not self.data.recordings:
            return None
        views = [(rec, view) for rec in self.data.recordings for view in rec.overviews]
        parts: list[Any] = []
        for rec, view in views[:MOST_OVERVIEWS]:
            parts.append(self._overview(rec, view))
        if len(views) > MOST_OVERVIEWS:
            parts.append(
                tag(
                    "p",
                    f"{grouped(len(views) - MOST_OVERVIEWS)} more stretches are not drawn.",
                    class_="quiet",
                )
            )
        if len(self.data.recordings) > 1 or not views:
            parts.append(self._recordings_table())
        return "air", "The air", join(parts)

    def _recordings_table(self) -> Markup:
        rows = [
            tag(
                "tr",
                tag("td", plain(r.name, limit=120)),
                tag("td", clock(r.start_ns, date=True, digits=0)),
                tag("td", duration((r.stop_ns - r.start_ns) / 1e9), class_="fig"),
                tag("td", frequency(r.center_hz), class_="fig"),
                tag("td", width(r.rate_hz), class_="fig"),
            )
            for r in self.data.recordings[:200]
        ]
        return _table("Recordings", ("Recording", "Start, UTC", "Length", "Centre", "Width"), rows)

    def _overview(self, rec: Recording, view: Overview) -> Markup:
        """Draw one stretch: the picture, the emissions on it as links, and scales that stay readable."""
        levels = view.level_db
        span_s = max((view.stop_ns - view.start_ns) / 1e9, 1e-9)
        inside = [
            row for row in self.real + self.false
            if (moment(row.get("start")) or 0) < view.stop_ns and (moment(row.get("stop")) or 0) > view.start_ns
            and view.low_hz <= (number(row.get("frequency_hz")) or 0) <= view.high_hz
        ]  # fmt: skip
        inside.sort(key=lambda row: -(number(row.get("snr_db")) or 0))
        marks = [self._mark(row, view) for row in inside[:MOST_BOXES]]
        labels = self._mark_labels(inside[:MOST_BOXES], view)
        image: Markup | None = None
        if levels.size:
            low, high = span_db(levels)
            small = shrink(levels, 1400, 460)
            png = heat_png(np.clip((small - low) / (high - low), 0, 1).T[::-1], colours=40)
            image = tag(
                "image", href=embed(png, "image/png"), width="100%", height="100%", preserveAspectRatio="none"
            )
        unit, factor = unit_for(view.low_hz, view.high_hz)
        f_marks, f_digits = ticks(view.low_hz / factor, view.high_hz / factor, 7)
        t_marks, t_digits = ticks(0, span_s, 8)
        up = [
            (_pct(1 - (f * factor - view.low_hz) / (view.high_hz - view.low_hz)), f"{f:.{f_digits}f}")
            for f in f_marks
        ]
        along = [(_pct(t / span_s), f"{t:.{t_digits}f}") for t in t_marks]
        title = f"Spectrogram of {plain(rec.name, limit=80)}"
        said = (
            f"{duration(span_s)} from {clock(view.start_ns, date=True)} UTC, "
            f"{frequency(view.low_hz, 100)} to {frequency(view.high_hz, 100)}, with "
            f"{count(len(inside), 'emission')} marked."
        )
        more = f" The {grouped(MOST_BOXES)} strongest are drawn." if len(inside) > MOST_BOXES else ""
        scale = (
            f" Paper to ink spans {low:.0f} to {high:.0f} dBFS in a cell.".replace("-", "−")
            if levels.size
            else ""
        )
        return tag(
            "figure",
            tag(
                "div",
                tag("svg", *(tag("text", word, x="100%", y=at, dx=-8, dy=4, class_="end") for at, word in up),
                    tag("text", unit, x="100%", y=10, dx=-8, class_="end unit"), class_="left", aria_hidden="true"),
                tag("svg", tag("title", f"{title}. {said}"), image,
                    *(tag("line", x1=at, x2=at, y1="0%", y2="100%", class_="hair") for at, _ in along), *marks, *labels,
                    class_="plane", role="group", aria_label=title),
                self._profile(levels),
                tag("svg", *(tag("text", word, x=at, y=16, class_="mid") for at, word in along), class_="under", aria_hidden="true"),
                tag("p", "seconds", class_="x-unit", aria_hidden="true"),
                class_="score",
            ),
            tag("figcaption", tag("b", plain(rec.name, limit=120)), " ", said, more, scale,
                " Each frame leads to its row below; dashed frames are traces of the receiver itself."),
            class_="wide",
        )  # fmt: skip

    def _mark(self, row: Row, view: Overview) -> Markup:
        x0, x1, y0, y1 = _frame(row, view)
        ident = str(row.get("id"))
        place = {"x": _pct(x0), "y": _pct(y0), "width": _pct(x1 - x0), "height": _pct(y1 - y0)}
        artefact = row.get("artefact")
        words = f"{frequency(row.get('frequency_hz'))}, {clock(row.get('start'))} UTC: "
        words += f"receiver artefact, {plain(artefact, limit=80)}" if artefact else self._what(row)
        return tag(
            "a", tag("title", words), tag("rect", class_="reach", **place), tag("rect", class_="frame", **place),
            href=anchor("receiver" if artefact else f"em-{ident}"), class_="mark aside" if artefact else "mark",
            data_row=None if artefact else slug(f"em-{ident}"),
        )  # fmt: skip

    def _mark_labels(self, rows: Sequence[Row], view: Overview) -> list[Markup]:
        """Number the strongest frames where there is room."""
        taken: list[tuple[float, float]] = []
        out = []
        for row in rows:
            n = self.number.get(str(row.get("id")))
            x0, _, y0, _ = _frame(row, view)
            if (
                n is None
                or len(taken) >= 80
                or any(abs(x0 - a) < 0.028 and abs(y0 - b) < 0.05 for a, b in taken)
            ):
                continue
            taken.append((x0, y0))
            out.append(
                tag("text", str(n), x=_pct(x0), y=_pct(y0), dy=13 if y0 < 0.06 else -4, dx=2, class_="num")
            )
        return out

    @staticmethod
    def _profile(levels: np.ndarray) -> Markup:
        """Draw beside the picture the middle and the strongest level over time of each frequency."""
        if not levels.size:
            return tag("svg", class_="side")
        few = shrink(levels, len(levels), 400)
        middle, top = np.median(few, axis=0), few.max(axis=0)
        low, high = float(np.quantile(middle, 0.02)) - 2, float(top.max()) + 1

        def line(values: np.ndarray) -> str:
            xs = (values - low) / max(high - low, 1e-6) * 100
            ys = np.linspace(100, 0, len(values))
            return "L".join(f"{x:.1f} {y:.1f}" for x, y in zip(xs, ys, strict=True))

        inner = tag(
            "svg", tag("path", d=f"M0 100L{line(top)}L0 0Z", class_="most"),
            tag("path", d="M" + line(middle), class_="usual"),
            viewBox="0 0 100 100", preserveAspectRatio="none", width="100%", height="100%",
        )  # fmt: skip
        title = "Level over frequency: shaded the strongest, line the middle of all times"
        return tag("svg", tag("title", title), inner, class_="side", role="img", aria_label=title)

    # -- emissions -----------------------------------------------------------------------------------------

    def _what(self, row: Row) -> str:
        kind = plain(row.get("class") or "unknown", limit=30)
        parts = [_WORDS.get(kind, kind)]
        if row.get("mode"):
            parts.append(plain(row["mode"], limit=30))
        if row.get("label"):
            parts.append(plain(row["label"], limit=60))
        return ", ".join(parts)

    def _emissions(self) -> tuple[str, str, Markup]:
        if not self.real:
            return "emissions", "Emissions", tag(
                "p", "None stood out of the noise. That is a finding only for what was listened to: "
                "this width, this time, this antenna.",
            )  # fmt: skip
        chosen = self.real
        if len(chosen) > MOST_EMISSIONS:
            chosen = sorted(chosen, key=lambda row: (not flags_of(row), -(number(row.get("snr_db")) or 0)))[
                :MOST_EMISSIONS
            ]
            chosen.sort(key=lambda row: moment(row.get("start")) or 0)
        rows = [self._emission_row(row) for row in chosen]
        classes = Counter(plain(row.get("class") or "unknown", limit=30) for row in self.real)
        told = listed([f"{_WORDS.get(kind, kind)} ({grouped(n)})" for kind, n in classes.most_common(8)])
        cut = (
            f" The {grouped(len(chosen))} that are flagged or strongest are listed."
            if len(chosen) < self.emission_count
            else ""
        )
        return "emissions", "Emissions", join([
            _pair(tag("p", f"By kind: {told}.{cut}"),
                  "Every figure carries its standard uncertainty where one was estimated. How each was measured is told under ",
                  _to("methods", "How this was measured"), "."),
            _table("Emissions", ("No.", "When, UTC", "Where", "How strong", "What it is, and why", "Evidence"), rows,
                   class_="emissions", sortable=True),
        ])  # fmt: skip

    def _emission_row(self, row: Row) -> Markup:
        ident = str(row.get("id"))
        n = self.number[ident]
        start, stop = moment(row.get("start")), moment(row.get("stop"))
        lasting = duration((stop - start) / 1e9) if start is not None and stop is not None else NOTHING
        bursts = number(row.get("burst_count"))
        duty = number(row.get("duty"))
        train = f"{grouped(int(bursts))} bursts" if bursts and bursts > 1 else None
        train = f"{train}, on {percent(duty)} of the time" if train and duty is not None else train
        confidence = number(row.get("confidence"))
        reasons = row.get("reasons")
        why = (
            listed([plain(r, limit=160) for r in reasons[:12]])
            if isinstance(reasons, list | tuple) and reasons
            else None
        )
        rate, deviation = number(row.get("symbol_rate_hz")), number(row.get("deviation_hz"))
        facts = [
            plain(row["label"], limit=80) if row.get("label") else None,
            f"{rate:.6g} symbols/s" if rate else None,
            f"deviation {width(deviation)}" if deviation else None,
            f"confidence {percent(min(max(confidence, 0), 1))}" if confidence is not None else None,
        ]
        kind = plain(row.get("class") or "unknown", limit=30)
        return tag(
            "tr",
            tag("th", tag("a", str(n), href=anchor(f"em-{ident}")), scope="row", data_sort=n),
            tag("td", tag("b", clock(start)), _small(lasting), _small(train), data_label="When", data_sort=start or 0),
            tag(
                "td",
                tag("b", frequency(row.get("frequency_hz"), row.get("frequency_uncertainty_hz"))),
                _small(plus_minus(row.get("frequency_uncertainty_hz"), "Hz") or None),
                _small(f"{width(row['occupied_bandwidth_hz'])} wide" if number(row.get("occupied_bandwidth_hz")) else None),
                data_label="Where", data_sort=number(row.get("frequency_hz")) or 0,
            ),
            tag(
                "td", tag("b", decibels(row.get("snr_db"))), _small("over noise"), _small(decibels(row.get("level_dbfs"), "dBFS")),
                data_label="How strong", data_sort=number(row.get("snr_db")) or -999,
            ),
            tag(
                "td",
                tag("b", _WORDS.get(kind, kind)),
                join([" ", tag("code", plain(row["designator"], limit=16))]) if row.get("designator") else None,
                join([" ", tag("span", plain(row["mode"], limit=30), class_="mode")]) if row.get("mode") else None,
                _small(", ".join(filter(None, facts)) or None),
                tag("span", why, class_="why") if why else None,
                data_label="What", data_sort=kind,
            ),
            tag("td", self._evidence_links(row, ident), data_label="Evidence", data_sort=self.digest.by_emission[ident]),
            id=slug(f"em-{ident}"), tabindex="-1",
        )  # fmt: skip

    def _evidence_links(self, row: Row, ident: str) -> Markup:
        links = []
        if ident in self.plates_of:
            links.append(_to(f"plate-{ident}", count(len(self.plates_of[ident]), "picture")))
        if self.digest.by_emission[ident]:
            links.append(_to("messages", count(self.digest.by_emission[ident], "message")))
        if self.overs_of[ident]:
            links.append(_to("voice", count(self.overs_of[ident], "clip")))
        key = tag("span", plain(row.get("id"), limit=40), class_="key")
        return join([*(join([item, tag("br")]) for item in links), key])

    def _emission_link(self, ident: Any) -> Markup:
        n = self.number.get(str(ident))
        return _to(f"em-{ident}", f"emission {n}") if n else Markup()

    # -- occupancy -----------------------------------------------------------------------------------------

    def _occupancy(self) -> tuple[str, str, Markup] | None:
        if not self.data.occupancy:
            return None
        rows = []
        busiest = sorted(self.data.occupancy, key=lambda row: -_share(row))[:MOST_CHANNELS]
        for row in sorted(busiest, key=lambda row: number(row.get("frequency_hz")) or 0):
            looks, hits = int(number(row.get("samples")) or 0), int(number(row.get("occupied")) or 0)
            spread = max(number(row.get("inflation")) or 1.0, 1.0)
            low, high = wilson(hits / spread, looks / spread)
            rows.append(
                tag(
                    "tr",
                    tag("th", frequency(row.get("frequency_hz")), scope="row"),
                    tag("td", plain(row["label"], limit=60) if row.get("label") else "", data_label="Name"),
                    tag("td", _interval(_share(row), low, high), class_="bar", data_label="Share"),
                    tag("td", _told_occupancy(hits, looks, spread), data_label="In use", class_="fig"),
                )
            )
        cut = (
            f" The {grouped(MOST_CHANNELS)} busiest of {grouped(len(self.data.occupancy))} are listed."
            if len(self.data.occupancy) > MOST_CHANNELS
            else ""
        )
        return "occupancy", "How busy each channel was", join([
            _pair(tag("p", f"How often each channel was found in use, of the times it was looked at.{cut}"),
                  "The whisker is the 95 % interval after Wilson (1927), widened where neighbouring looks are not "
                  "independent. A channel never seen in use is given with the share it may still have had."),
            _table("Channel occupancy", ("Channel", "Name", "Share of looks, 0 to 100 %", "Seen in use"), rows, class_="occupancy"),
        ])  # fmt: skip

    # -- identities ----------------------------------------------------------------------------------------

    def _identities(self) -> tuple[str, str, Markup] | None:
        people = sorted(self.data.identities, key=lambda row: -(number(row.get("message_count")) or 0))
        if not people:
            return None
        shown = people[:MOST_IDENTITIES]
        places, lost = [], 0
        for row in shown:
            lat, lon = number(row.get("latitude_deg")), number(row.get("longitude_deg"))
            if lat is None or lon is None or abs(lat) > 90 or abs(lon) > 180:
                lost += 1
                continue
            ident = str(row.get("id"))
            places.append(
                Place(ident, _identity_name(row), plain(row.get("kind"), limit=30), lat, lon,
                      self.digest.tracks.get(ident, ()), any(urgency(f) < 4 for f in flags_of(row)))
            )  # fmt: skip
        parts: list[Any] = []
        if places:
            lat, lon = (
                number(self.data.station.get("latitude_deg")),
                number(self.data.station.get("longitude_deg")),
            )
            here = (
                (lat, lon)
                if lat is not None and lon is not None and abs(lat) <= 90 and abs(lon) <= 180
                else None
            )
            svg, outside = draw(places, here, title=f"Map of {count(len(places), 'position')}")
            words = [f"{count(len(places), 'identity', 'identities')} with a position, as they reported it."]
            if outside:
                words.append(
                    f"{count(outside, 'position')} lie too far off to be drawn and may well be wrong."
                )
            if lost:
                words.append(f"{count(lost, 'identity', 'identities')} told no position.")
            if here:
                words.append("Rings are distances from the station.")
            parts.append(
                tag("figure", tag("div", svg, class_="scroll", tabindex="0", role="region", aria_label="Map"),
                    tag("figcaption", " ".join(words), " Equidistant cylindrical projection; land after Natural Earth "
                        "1:50 million, about 1.5 km true. Not for navigation."), class_="wide")
            )  # fmt: skip
        rows = [self._identity_row(row) for row in shown]
        if self.identity_count > len(shown):
            parts.append(
                tag(
                    "p",
                    f"The {grouped(len(shown))} most talkative of {grouped(self.identity_count)} are listed.",
                    class_="quiet",
                )
            )
        parts.append(
            _table(
                "Identities",
                ("Who", "Kind", "Messages", "First and last heard", "Last position", "Notes"),
                rows,
                class_="people",
                sortable=True,
            )
        )
        return "identities", "Who was heard", join(parts)

    def _identity_row(self, row: Row) -> Markup:
        ident = str(row.get("id"))
        labels = row.get("labels")
        notes = [plain(item, limit=80) for item in labels[:8]] if isinstance(labels, list | tuple) else []
        flags = flags_of(row)
        seen = [clock(row.get("first_seen"), digits=0), clock(row.get("last_seen"), digits=0)]
        return tag(
            "tr",
            tag("th", _identity_name(row), _small(plain(row.get("key"), limit=60)), scope="row", data_sort=_identity_name(row)),
            tag("td", plain(row.get("kind"), limit=30), data_label="Kind"),
            tag("td", grouped(int(number(row.get("message_count")) or 0)), class_="fig", data_label="Messages",
                data_sort=int(number(row.get("message_count")) or 0)),
            tag("td", " to ".join(dict.fromkeys(seen)), data_label="Heard", data_sort=moment(row.get("first_seen")) or 0),
            tag("td", position(row.get("latitude_deg"), row.get("longitude_deg")), data_label="Position"),
            tag("td", tag("b", listed(flags), class_="flag") if flags else None, " " if flags else None, ", ".join(notes), data_label="Notes"),
            id=slug(f"id-{ident}"), tabindex="-1",
        )  # fmt: skip

    def _who(self, row: Row) -> Markup:
        ident = row.get("identity")
        if isinstance(ident, str):
            return _to(f"id-{ident}", self.names.get(ident, plain(ident, limit=60)))
        return text(frequency(row.get("frequency_hz")))

    # -- messages ------------------------------------------------------------------------------------------

    def _messages(self) -> tuple[str, str, Markup] | None:
        digest = self.digest
        if not digest.total:
            return None
        groups = sorted(digest.groups.values(), key=lambda g: (-digest.modes[g.mode], g.mode, -g.count))
        parts: list[Any] = []
        for n, group in enumerate(groups):
            if n == 0 or groups[n - 1].mode != group.mode:
                parts.append(
                    tag(
                        "h3",
                        _mode_title(group.mode),
                        tag("small", count(digest.modes[group.mode], "message")),
                    )
                )
            parts.append(self._message_group(group, unfold=n == 0))
        checks = listed([f"{grouped(n)} {word}" for word, n in digest.checks.most_common(5)])
        return "messages", "What was said", join([
            _pair(tag("p", f"{count(digest.total, 'message')}; {grouped(digest.shown)} of them are shown here, at most "
                      f"{PER_GROUP} of each sender. The export holds them all."),
                  f"How they passed their check: {checks}. “Corrected” means that bits were mended before it passed; "
                  "“address” that the parity matched an address heard before."),
            tag("div", *parts, class_="messages wide"),
        ])  # fmt: skip

    def _message_group(self, group: Group, *, unfold: bool) -> Markup:
        who = (
            self.names.get(group.identity, plain(group.identity, limit=60))
            if group.identity
            else "Without a named sender"
        )
        kinds = listed([f"{kind} ({grouped(n)})" for kind, n in group.kinds.most_common(4)])
        more = group.count - len(group.rows)
        rest = tag("p", f"{count(more, 'more message')} not shown.", class_="quiet") if more else None
        summary = tag("summary", tag("b", who), " ", tag("span", kinds, class_="quiet"))
        if not group.rows:
            return tag("details", summary, rest)
        return tag(
            "details",
            summary,
            tag("ul", *map(self._message, group.rows), class_="letters"),
            rest,
            open=unfold,
        )

    def _message(self, row: Row) -> Markup:
        fields = row.get("fields")
        told = fields if isinstance(fields, Mapping) else {}
        words = next(
            (
                told[key]
                for key in ("text", "message", "safety_text")
                if isinstance(told.get(key), str) and told[key]
            ),
            None,
        )
        pairs = [
            join([tag("dt", plain(key, limit=40).replace("_", " ")), tag("dd", plain(value, limit=160))])
            for key, value in list(told.items())[:40]
            if value is not None and value != "" and value is not words
        ]
        flags = flags_of(row)
        payload = plain(row.get("payload_hex") or "", limit=96)
        snr = number(row.get("snr_db"))
        return tag(
            "li",
            tag("p", tag("time", clock(row.get("time"))), " ", tag("b", plain(row.get("kind"), limit=80)),
                join([" ", tag("b", listed(flags), class_="flag")]) if flags else None,
                tag("span", " ", ", ".join(filter(None, [
                    f"check {plain(row.get('check'), limit=20)}",
                    f"{count(int(bits), 'bit')} mended" if (bits := number(row.get("corrected_bits"))) else None,
                    frequency(row.get("frequency_hz")),
                    f"SNR {decibels(snr)}" if snr is not None else None])), class_="quiet")),
            tag("blockquote", text(words, limit=1200, keep_lines=True)) if words else None,
            tag("dl", *pairs) if pairs else None,
            tag("code", payload, class_="payload") if payload != NOTHING else None,
        )  # fmt: skip

    # -- voice and pictures --------------------------------------------------------------------------------

    def _overs(self) -> tuple[str, str, Markup] | None:
        if not self.data.overs:
            return None
        items, budget = [], MEDIA_BYTES
        for row in self.data.overs[:MOST_OVERS]:
            media = self.data.media.get(str(row.get("id")))
            player, budget = _player(media, budget)
            start, stop = moment(row.get("start")), moment(row.get("stop"))
            length = duration((stop - start) / 1e9) if start is not None and stop is not None else NOTHING
            facts = [plain(row.get("class"), limit=30), _tone(row.get("tone"))]
            facts += [f"talkgroup {plain(row['talkgroup'], limit=40)}"] if row.get("talkgroup") else []
            facts += ["encrypted: not heard, never deciphered"] if row.get("encrypted") else []
            items.append(
                tag(
                    "li",
                    tag("p", tag("b", frequency(row.get("frequency_hz"))), " ", tag("time", clock(row.get("start"))), f", {length}",
                        tag("span", " ", ", ".join(filter(None, facts)), " ", self._emission_link(row.get("emission_id")), class_="quiet")),
                    player, id=slug(f"over-{row.get('id')}"),
                )
            )  # fmt: skip
        listed_ = min(len(self.data.overs), MOST_OVERS)
        cut = f" {grouped(listed_)} of them are listed." if self.over_count > listed_ else ""
        intro = _pair(
            tag("p", f"{count(self.over_count, 'voice transmission')}.{cut}"),
            "Clips are in this page until they fill their share of it; later ones are files beside it.",
        )
        return "voice", "What was spoken", join([intro, tag("ol", *items, class_="clips wide")])

    def _received_pictures(self) -> tuple[str, str, Markup] | None:
        if not self.data.pictures:
            return None
        items, budget = [], MEDIA_BYTES
        for row in self.data.pictures[:MOST_PICTURES]:
            media = self.data.media.get(str(row.get("id")))
            told = f"{plain(row.get('mode'), limit=30)}, {frequency(row.get('frequency_hz'))}, {clock(row.get('start'), date=True)} UTC"
            image: Markup | None = None
            if media and media.data and len(media.data) <= budget:
                budget -= len(media.data)
                image = tag("img", src=embed(media.data, media.kind), alt=f"Picture received: {told}")
            elif media and media.path:
                image = tag("a", "Open the picture", href=link(media.path))
            items.append(tag("figure", image, tag("figcaption", told), class_="from-air"))
        return "pictures", "Pictures from the air", tag("div", *items, class_="plates wide")

    # -- evidence ------------------------------------------------------------------------------------------

    def _evidence(self) -> tuple[str, str, Markup] | None:
        if not self.plates_of:
            return None
        parts, budget, left_out = [], PLATE_BYTES, 0
        rows = {str(row.get("id")): row for row in [*self.data.emissions, *self.data.overs]}
        for ident, plates in self.plates_of.items():
            row = rows.get(ident, {})
            n = self.number.get(ident)
            name = f"Emission {n}" if n else plain(ident, limit=60)
            said = f"{frequency(row.get('frequency_hz'))}, {clock(row.get('start'))} UTC, {self._what(row)}"
            figures = []
            for plate in plates:
                if len(plate.png) > budget:
                    left_out += 1
                    continue
                budget -= len(plate.png)
                wide, _ = _png_size(plate.png)
                alt = f"{plain(plate.name, limit=40)} of {name.lower()}: {said}"
                figures.append(
                    tag(
                        "figure",
                        tag(
                            "img", src=embed(plate.png, "image/png"), width=wide // 2, alt=alt, class_="plate"
                        ),
                    )
                )
            if figures:
                heading = tag(
                    "h3",
                    _to(f"em-{ident}", name) if n else name,
                    tag("small", said),
                    id=slug(f"plate-{ident}"),
                )
                parts.append(tag("div", heading, tag("div", *figures, class_="plates"), class_="exhibit"))
        cut = (
            f" {count(left_out, 'picture')} found no room in this page; the evidence command draws them."
            if left_out
            else ""
        )
        intro = _pair(
            tag("p", "What the samples looked like, for the emissions that say the most.", cut),
            "Levels are densities in dBFS per hertz of bandwidth. Vermilion frames and rules mark the measured extent, "
            "the dashed black line the noise.",
        )
        return "evidence", "Evidence", join([intro, tag("div", *parts, class_="wide")])

    # -- the rest ------------------------------------------------------------------------------------------

    def _unknown(self) -> tuple[str, str, Markup] | None:
        if not self.real:
            return None
        unknown = [row for row in self.real if row.get("class") in (None, "unknown")]
        silent = [row for row in self.real if row not in unknown and not row.get("mode")]
        parts = []
        if unknown:
            parts.append(
                tag("p", "Not even the kind of modulation could be told of ", self._some(unknown), ".")
            )
        if silent:
            parts.append(
                tag(
                    "p",
                    "Their kind is known but no mode fits, or none that is known here, for ",
                    self._some(silent),
                    ".",
                )
            )
        if not parts:
            parts.append(tag("p", "Every emission found was given a kind and a mode."))
        return "unknown", "What stayed unknown", join(parts)

    def _some(self, rows: Sequence[Row]) -> Markup:
        few = [
            join([self._emission_link(row.get("id")), f" ({frequency(row.get('frequency_hz'))})"])
            for row in rows[:24]
        ]
        more = f" and {grouped(len(rows) - 24)} more" if len(rows) > 24 else ""
        return join([join(few, ", "), more])

    def _health(self) -> tuple[str, str, Markup] | None:
        parts: list[Any] = []
        for rec in self.data.recordings[:40]:
            facts = {**rec.facts, **rec.health}
            pairs = [
                join([tag("dt", plain(k, limit=60)), tag("dd", plain(v, limit=200))])
                for k, v in list(facts.items())[:30]
                if v is not None
            ]
            warned = [tag("li", plain(w, limit=300)) for w in rec.warnings[:30]]
            if pairs or warned:
                parts.append(tag("h3", plain(rec.name, limit=120)))
                parts.append(tag("dl", *pairs, class_="facts") if pairs else None)
                parts.append(tag("ul", *warned, class_="warnings") if warned else None)
        if self.false:
            rows = [
                tag(
                    "tr", tag("th", frequency(row.get("frequency_hz"), row.get("frequency_uncertainty_hz")), scope="row"),
                    tag("td", clock(row.get("start")), data_label="Start, UTC"),
                    tag("td", decibels(row.get("snr_db")), class_="fig", data_label="Over noise"),
                    tag("td", plain(row.get("artefact"), limit=240), data_label="Why it is none"),
                )
                for row in self.false[:100]
            ]  # fmt: skip
            parts.append(tag("p", f"{count(len(self.false), 'trace')} came from the receiver, not from the air"
                             f"{', the first 100 of which follow' if len(self.false) > 100 else ''}:"))  # fmt: skip
            parts.append(
                _table(
                    "Receiver artefacts",
                    ("Frequency", "Start, UTC", "Over noise", "Why it is no emission"),
                    rows,
                )
            )
        if not parts:
            return None
        return "receiver", "The receiver itself", join(parts)

    def _methods(self) -> tuple[str, str, Markup]:
        given = {
            "occupied bandwidth": "the width that holds 99 % of the power (ITU-R SM.443, β/2 method)",
            "signal to noise": "signal power over noise power inside the occupied bandwidth",
            "designator": "necessary bandwidth and class of emission as in ITU Radio Regulations, Appendix 1",
            "occupancy": "share of looks above the threshold, with the 95 % interval of E. B. Wilson (1927)",
            "levels": "relative to the full scale of the receiver (dBFS); no antenna or cable was calibrated",
            **self.data.methods,
        }
        pairs = [
            join([tag("dt", plain(k, limit=80)), tag("dd", plain(v, limit=600))])
            for k, v in list(given.items())[:40]
        ]
        return "methods", "How this was measured", tag("dl", *pairs, class_="facts")

    def _cautions(self) -> tuple[str, str, Markup]:
        own = [plain(item, limit=600) for item in self.data.cautions[:20]]
        return "cautions", "Cautions", tag("ul", *(tag("li", item) for item in [*own, *CAUTIONS]))

    def _footer(self) -> Markup:
        versions = ", ".join(
            f"{plain(k, limit=40)} {plain(v, limit=40)}" for k, v in list(self.data.versions.items())[:20]
        )
        made = format_time(self.data.made_ns)[:19].replace("T", " ") if self.data.made_ns else None
        return tag(
            "footer",
            tag("p", join([f for f in (f"Made {made} UTC" if made else None, versions) if f], " · ")),
            tag(
                "p",
                "This page needs no network and asks for none. Land outlines: Natural Earth, public domain.",
            ),
        )


# -- small parts -------------------------------------------------------------------------------------------


def _asset(name: str) -> str:
    return files("earwitness.view").joinpath("assets", name).read_text("utf-8")


def _digest(content: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()


def _to(identifier: str, words: object) -> Markup:
    return tag("a", words, href=anchor(identifier))


def _small(words: object) -> Markup | None:
    return tag("small", words) if words else None


def _pair(main: Markup, *note: Any) -> Markup:
    return tag("div", main, tag("aside", tag("p", *note), class_="note"), class_="pair")


def _table(
    caption: str, heads: Sequence[str], rows: Iterable[Markup], *, class_: str = "", sortable: bool = False
) -> Markup:
    head = tag("thead", tag("tr", *(tag("th", word, scope="col") for word in heads)))
    return tag(
        "div",
        tag(
            "table",
            tag("caption", caption),
            head,
            tag("tbody", *rows),
            class_=class_ or None,
            data_sortable=sortable,
        ),
        class_="sheet wide",
    )


def _pct(part: float) -> str:
    return f"{100 * part:.3f}%"


def _frame(row: Row, view: Overview) -> tuple[float, float, float, float]:
    """Give left, right, top, bottom of an emission on its picture, as parts of one."""
    long, tall = max(view.stop_ns - view.start_ns, 1), max(view.high_hz - view.low_hz, 1e-9)
    start, stop = moment(row.get("start")) or view.start_ns, moment(row.get("stop")) or view.start_ns
    middle = number(row.get("frequency_hz")) or view.low_hz
    half = max((number(row.get("occupied_bandwidth_hz")) or 0) / 2, tall * 0.009)
    x0, x1 = (start - view.start_ns) / long, (stop - view.start_ns) / long
    if x1 - x0 < 0.004:
        x0, x1 = (x0 + x1) / 2 - 0.002, (x0 + x1) / 2 + 0.002
    y0, y1 = 1 - (middle + half - view.low_hz) / tall, 1 - (middle - half - view.low_hz) / tall
    return max(x0, 0.0), min(x1, 1.0), max(y0, 0.0), min(y1, 1.0)


def _clock_after(span: tuple[int, int]) -> str:
    same_day = span[0] // 86_400_000_000_000 == span[1] // 86_400_000_000_000
    return clock(span[1], date=not same_day, digits=0)


def _identity_name(row: Row) -> str:
    names = row.get("names")
    if isinstance(names, list | tuple) and names and names[0]:
        return plain(names[0], limit=60)
    return plain(row.get("key"), limit=60)


def _plural(kind: str, n: int) -> str:
    return kind if n == 1 else _KINDS.get(kind, f"{kind[:-1]}ies" if kind.endswith("y") else f"{kind}s")


def _mode_title(name: str) -> str:
    known = registry().get(name)
    return known.title if known else name


def _share(row: Row) -> float:
    looks, hits = number(row.get("samples")) or 0, number(row.get("occupied")) or 0
    return min(max(hits / looks, 0.0), 1.0) if looks > 0 else 0.0


def _total(data: ReportData, what: str) -> int:
    return int(number(data.totals.get(what)) or 0)


def _told_occupancy(hits: int, looks: int, spread: float) -> str:
    if spread <= 1.0 or looks <= 0:
        return occupancy(hits, looks)
    low, high = wilson(hits / spread, looks / spread)
    told = f"{grouped(hits)} of {grouped(looks)}"
    if hits <= 0:
        return f"{told}, < {percent(high)}"
    if hits >= looks:
        return f"{told}, > {percent(low)}"
    return f"{told}: {percent(hits / looks)} ({percent(low)} to {percent(high)})"


def _interval(share: float, low: float, high: float) -> Markup:
    return tag(
        "svg",
        tag("line", x1="0%", x2="100%", y1=9, y2=9, class_="base"),
        tag("rect", x="0%", y=5, width=_pct(share), height=8, class_="share"),
        tag("line", x1=_pct(low), x2=_pct(high), y1=9, y2=9, class_="whisker"),
        tag("line", x1=_pct(low), x2=_pct(low), y1=5, y2=13, class_="whisker"),
        tag("line", x1=_pct(high), x2=_pct(high), y1=5, y2=13, class_="whisker"),
        aria_hidden="true",
    )


def _tone(tone: Any) -> str | None:
    if not isinstance(tone, Mapping) or not tone:
        return None
    hz = number(tone.get("ctcss_hz"))
    if hz is not None:
        return f"tone {hz:.1f} Hz"
    return (
        f"digital squelch code {plain(tone['dcs'], limit=12)}" if tone.get("dcs") else plain(tone, limit=60)
    )


def _player(media: Media | None, budget: int) -> tuple[Markup, int]:
    if media and media.data is not None and len(media.data) <= budget:
        controls = tag("audio", controls=True, preload="none", src=embed(media.data, media.kind))
        return controls, budget - len(media.data)
    if media and media.path:
        return tag(
            "p", tag("a", "Listen: ", media.path.replace("\\", "/").rsplit("/", 1)[-1], href=link(media.path))
        ), budget
    return tag("p", "No audio was kept.", class_="quiet"), budget


def _png_size(png: bytes) -> tuple[int, int]:
    return int.from_bytes(png[16:20], "big"), int.from_bytes(png[20:24], "big")
