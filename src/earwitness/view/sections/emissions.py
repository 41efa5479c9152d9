"""The emissions one by one, and those that stayed unknown."""

from __future__ import annotations

from collections.abc import Sequence

from earwitness.view.data import Row
from earwitness.view.markup import Markup, anchor, join, slug, tag
from earwitness.view.page import (
    CLASS_WORDS,
    Page,
    Section,
    pair,
    small,
    table,
    to,
)
from earwitness.view.words import (
    NOTHING,
    count,
    decibels,
    duration,
    frequency,
    grouped,
    listed,
    moment,
    number,
    percent,
    plain,
    plus_minus,
    symbol_rate,
    width,
)


def emissions(page: Page) -> Section:
    """List the emissions with figures, reasons and evidence."""
    if not page.real:
        return (
            "emissions",
            "Emissions",
            tag(
                "p",
                "None stood out of the noise. That is a finding only for what was listened to: "
                "this width, this time, this antenna.",
            ),
        )
    chosen = page.listed
    rows = [_emission_row(page, row) for row in chosen]
    told = listed(
        [f"{CLASS_WORDS.get(kind, kind)} ({grouped(n)})" for kind, n in page.classes.most_common(8)]
    )
    newest = f" of the newest {grouped(len(page.real))}" if len(page.real) < page.emission_count else ""
    cut = (
        f" The {grouped(len(chosen))}{newest} that are flagged or strongest are listed."
        if len(chosen) < page.emission_count
        else ""
    )
    return (
        "emissions",
        "Emissions",
        join(
            [
                pair(
                    tag("p", f"By kind: {told}.{cut}"),
                    "Every figure carries its standard uncertainty where one was estimated. How each was "
                    "measured is told under ",
                    to("methods", "How this was measured"),
                    ".",
                ),
                table(
                    "Emissions",
                    ("No.", "When, UTC", "Where", "How strong", "What it is, and why", "Evidence"),
                    rows,
                    class_="emissions",
                    sortable=True,
                ),
            ]
        ),
    )


def _emission_row(page: Page, row: Row) -> Markup:
    ident = str(row.get("id"))
    n = page.number[ident]
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
    deviation = number(row.get("deviation_hz"))
    spread = plus_minus(row.get("deviation_uncertainty_hz"), "Hz")
    kind = plain(row.get("class") or "unknown", limit=30)
    facts = [
        plain(row["label"], limit=80) if row.get("label") else None,
        symbol_rate(row.get("symbol_rate_hz"), row.get("symbol_rate_uncertainty_hz")),
        f"deviation {width(deviation)} {spread}".rstrip() if deviation else None,
        f"confidence {percent(min(max(confidence, 0), 1))}" if confidence is not None else None,
    ]
    hint = (
        f"perhaps {plain(row['perhaps_satellite'], limit=60)}: {plain(row.get('perhaps_rule'))}"
        if row.get("perhaps_satellite")
        else None
    )
    return tag(
        "tr",
        tag("th", tag("a", str(n), href=anchor(f"em-{ident}")), scope="row", data_sort=n),
        tag(
            "td",
            tag("b", page.clock(start)),
            small(lasting),
            small(train),
            data_label="When",
            data_sort=start or 0,
        ),
        tag(
            "td",
            tag("b", frequency(row.get("frequency_hz"), row.get("frequency_uncertainty_hz"))),
            small(plus_minus(row.get("frequency_uncertainty_hz"), "Hz") or None),
            small(
                f"{width(row['occupied_bandwidth_hz'])} wide"
                if number(row.get("occupied_bandwidth_hz"))
                else None
            ),
            data_label="Where",
            data_sort=number(row.get("frequency_hz")) or 0,
        ),
        tag(
            "td",
            tag("b", decibels(row.get("snr_db"))),
            small("over noise"),
            small(decibels(row.get("level_dbfs"), "dBFS")),
            data_label="How strong",
            data_sort=number(row.get("snr_db")) or -999,
        ),
        tag(
            "td",
            tag("b", CLASS_WORDS.get(kind, kind)),
            join([" ", tag("code", plain(row["designator"], limit=16))]) if row.get("designator") else None,
            join([" ", tag("span", plain(row["mode"], limit=30), class_="mode")])
            if row.get("mode")
            else None,
            small(", ".join(filter(None, facts)) or None),
            small(hint),
            tag("span", why, class_="why") if why else None,
            data_label="What",
            data_sort=kind,
        ),
        tag(
            "td",
            _evidence_links(page, row, ident),
            data_label="Evidence",
            data_sort=page.digest.by_emission[ident],
        ),
        id=slug(f"em-{ident}"),
        tabindex="-1",
    )


def _evidence_links(page: Page, row: Row, ident: str) -> Markup:
    links = []
    if ident in page.plates_of:
        links.append(to(f"plate-{ident}", count(len(page.plates_of[ident]), "picture")))
    if page.digest.by_emission[ident]:
        told = page.first_message.get(ident)
        place = f"msg-{told}" if told else "messages"
        links.append(to(place, count(page.digest.by_emission[ident], "message")))
    if page.overs_of[ident]:
        heard = page.first_over.get(ident)
        links.append(to(f"over-{heard}" if heard else "voice", count(page.overs_of[ident], "clip")))
    samples = page.samples_link(row)
    if samples:
        links.append(samples)
    key = tag("span", plain(row.get("id"), limit=40), class_="key")
    return join([*(join([item, tag("br")]) for item in links), key])


def unknown(page: Page) -> Section | None:
    """Tell what could not be told."""
    if not page.real:
        return None
    unknown, silent = [], []
    for row in page.real:
        if row.get("class") in (None, "unknown"):
            unknown.append(row)
        elif not row.get("mode"):
            silent.append(row)
    parts = []
    if len(page.real) < page.emission_count:
        parts.append(tag("p", f"Of the newest {count(len(page.real), 'emission')}:"))
    if unknown:
        parts.append(tag("p", "Not even the kind of modulation could be told of ", _some(page, unknown), "."))
    if silent:
        parts.append(
            tag(
                "p",
                "What kind of signal they are could be told, but nothing was read from ",
                _some(page, silent),
                ".",
            )
        )
    if not unknown and not silent:
        parts.append(tag("p", "Every emission found was given a kind and a mode."))
    return "unknown", "What stayed unknown", join(parts)


def _some(page: Page, rows: Sequence[Row]) -> Markup:
    few = [
        join([page.emission_link(row.get("id")), f" ({frequency(row.get('frequency_hz'))})"])
        for row in rows[:24]
    ]
    more = f" and {grouped(len(rows) - 24)} more" if len(rows) > 24 else ""
    return join([join(few, ", "), more])
