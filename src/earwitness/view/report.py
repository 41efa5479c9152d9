"""The report: one HTML page that stands alone, readable without scripts and without a network.

It is set like a printed survey report: prose first, each claim with a note in the margin that leads to
its evidence. The page forbids itself every address but embedded data (Content-Security-Policy), and every
word from the air goes through `markup.text`.
"""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from earwitness.core.errors import StorageError
from earwitness.core.files import whole_file
from earwitness.core.times import format_time
from earwitness.view.data import ReportData
from earwitness.view.gather import gather
from earwitness.view.markup import Markup, anchor, join, tag, text
from earwitness.view.page import (
    Page,
    mode_title,
    plural,
    to,
)
from earwitness.view.sections.air import air
from earwitness.view.sections.channels import occupancy as busy
from earwitness.view.sections.closing import cautions, health, methods
from earwitness.view.sections.emissions import emissions, unknown
from earwitness.view.sections.media import evidence, overs, received_pictures, transmissions
from earwitness.view.sections.messages import messages
from earwitness.view.sections.people import identities
from earwitness.view.sections.urgent import flagged, headline
from earwitness.view.words import (
    clock,
    count,
    duration,
    frequency,
    grouped,
    listed,
    plain,
    width,
)

if TYPE_CHECKING:
    from earwitness.log.store import Log

__all__ = ["ReportData", "gather", "render", "write_report"]


def render(data: ReportData) -> str:
    """Give the report as one HTML document."""
    return document(Page(data))


def write_report(log: Log, station_dir: Path, target: Path) -> None:
    """Write the report of a station's log; StorageError when the file cannot be written."""
    target = Path(target)
    page = render(gather(log, Path(station_dir), beside=target.parent))
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(target) as stream:
            stream.write(page.encode("utf-8"))
    except OSError as error:
        raise StorageError(f"report {target} cannot be written: {error.strerror}") from error


def document(page: Page) -> str:
    """Give the whole page."""
    style, script = _asset("page.css"), _asset("page.js")
    policy = (
        "default-src 'none'; img-src data:; media-src data:; base-uri 'none'; form-action 'none'; "
        f"style-src '{_digest(style)}'; script-src '{_digest(script)}'"
    )
    sections = [
        flagged(page),
        air(page),
        emissions(page),
        busy(page),
        identities(page),
        messages(page),
        overs(page),
        received_pictures(page),
        evidence(page),
        unknown(page),
        health(page),
        methods(page),
        cautions(page),
    ]
    shown = [(name, title, body) for name, title, body in filter(None, sections)]
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        Markup(f'<meta http-equiv="Content-Security-Policy" content="{text(policy)}">'),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", f"{_title(page)}: survey report"),
        Markup(f"<style>{style}</style>"),
    )
    body = tag(
        "body",
        tag("a", "Skip to the account", class_="skip", href=anchor("account")),
        _header(page, [(name, title) for name, title, _ in shown]),
        tag("main", *(_section(*item) for item in shown), id="content"),
        _footer(page),
        Markup(f"<script>{script}</script>"),
    )
    return f'<!DOCTYPE html>\n<html lang="en">{head}{body}</html>\n'


def _section(name: str, title: str, body: Markup) -> Markup:
    return tag(
        "section", tag("h2", title, id=f"{name}-title"), body, id=name, aria_labelledby=f"{name}-title"
    )


def _title(page: Page) -> str:
    facts = page.data.station
    return plain(facts.get("name") or facts.get("place") or "A survey of the air", limit=80)


def _header(page: Page, contents: list[tuple[str, str]]) -> Markup:
    where = page.data.station.get("place")
    where = None if where == _title(page) else where
    span = _span(page)
    dates = f"{clock(span[0], date=True, digits=0)} to {_clock_after(span)} UTC" if span else "no recording"
    line = join([f for f in (plain(where, limit=120) if where else None, dates) if f], " · ")
    docket = [
        ("Recordings", grouped(len(page.data.recordings))),
        ("Listened", duration(_listened(page))),
        ("Emissions", grouped(page.emission_count)),
        ("Messages", grouped(page.digest.total)),
        ("Identities", grouped(page.identity_count)),
        ("Voice", grouped(page.over_count)),
        ("Pictures", grouped(len(transmissions(page.data.pictures)))),
    ]
    return tag(
        "header",
        tag("p", "Earwitness", tag("span", "Survey report"), class_="running"),
        tag("h1", _title(page)),
        tag("p", line, class_="where"),
        tag(
            "div",
            tag("div", *(tag("p", part) for part in _account(page)), class_="account", id="account"),
            tag(
                "aside",
                tag("dl", *(join([tag("dt", a), tag("dd", b)]) for a, b in docket), class_="docket"),
                class_="note",
                aria_label="The survey in figures",
            ),
            class_="pair",
        ),
        tag(
            "nav",
            tag("ol", *(tag("li", tag("a", title, href=anchor(name))) for name, title in contents)),
            aria_label="Contents",
        ),
    )


def _span(page: Page) -> tuple[int, int] | None:
    known = page.data.recordings
    return (min(r.start_ns for r in known), max(r.stop_ns for r in known)) if known else None


def _listened(page: Page) -> float:
    return sum(max(0, r.stop_ns - r.start_ns) for r in page.data.recordings) / 1e9


def _account(page: Page) -> list[Markup]:
    """Give the findings in words; every claim leads to where it is shown."""
    recordings = page.data.recordings
    where = ""
    if len(recordings) == 1 and recordings[0].center_hz:
        one = recordings[0]
        where = f" at {frequency(one.center_hz, 1e3)}"
        where += f", {width(one.rate_hz)} wide" if one.rate_hz else ""
    elif len(recordings) > 1:
        where = f" in {count(len(recordings), 'recording')}"
    start = f"In {duration(_listened(page))}{where}, " if recordings else "In what the log holds, "
    if not page.real:
        first = join([start, "no emission was found", _aside_artefacts(page), "."])
    else:
        first = join(
            [
                start,
                to("emissions", count(page.emission_count, "emission")),
                " ",
                "was" if page.emission_count == 1 else "were",
                " found",
                _aside_artefacts(page),
                ".",
            ]
        )
    out = [first]
    heard: list[Markup] = []
    if page.digest.total:
        most = page.digest.modes.most_common(6)
        modes = [_counted(mode_title(name), n) for name, n in most]
        if others := page.digest.total - sum(n for _, n in most):
            modes.append(f"others ({grouped(others)})")
        whose = "its" if page.digest.total == 1 else "their"
        told = f" passed {whose} check: {listed(modes)}"
        heard.append(join([to("messages", count(page.digest.total, "message")), told]))
    if page.data.identities:
        kinds = [f"{grouped(n)} {plural(kind, n)}" for kind, n in page.kinds.most_common(5)]
        heard.append(join([to("identities", listed(kinds)), " made themselves known"]))
    if page.data.overs:
        heard.append(join([to("voice", count(page.over_count, "voice transmission")), " can be heard"]))
    if shown := len(transmissions(page.data.pictures)):
        heard.append(join([to("pictures", count(shown, "picture")), " came over the air"]))
    if heard:
        out.append(join([join(heard, "; "), "."]))
    if unknown := page.classes["unknown"]:
        out.append(join([to("unknown", count(unknown, "emission")), " stayed unknown."]))
    first_of_all = headline(page)
    if first_of_all:
        out.insert(0, tag("strong", to("flagged", first_of_all)))
    return out


def _counted(title: str, amount: int) -> str:
    """Give 'Morse (3)', 'AIS (automatic identification system of ships: 39)'."""
    name, _, meaning = title.partition(", ")
    return f"{name} ({meaning}: {grouped(amount)})" if meaning else f"{name} ({grouped(amount)})"


def _aside_artefacts(page: Page) -> Markup | None:
    if not page.false:
        return None
    traces = count(page.false_count, "trace")
    return join(
        [
            "; ",
            to("receiver", traces),
            " of the receiver itself ",
            "was" if page.false_count == 1 else "were",
            " set aside",
        ]
    )


def _footer(page: Page) -> Markup:
    versions = ", ".join(
        f"{plain(k, limit=40)} {plain(v, limit=40)}" for k, v in list(page.data.versions.items())[:20]
    )
    made = format_time(page.data.made_ns)[:19].replace("T", " ") if page.data.made_ns else None
    return tag(
        "footer",
        tag("p", join([f for f in (f"Made {made} UTC" if made else None, versions) if f], " · ")),
        tag(
            "p",
            "This page needs no network and asks for none. Land outlines: Natural Earth, public domain.",
        ),
    )


def _asset(name: str) -> str:
    return files("earwitness.view").joinpath("assets", name).read_text("utf-8")


def _digest(content: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()


def _clock_after(span: tuple[int, int]) -> str:
    same_day = span[0] // 86_400_000_000_000 == span[1] // 86_400_000_000_000
    return clock(span[1], date=not same_day, digits=0)
