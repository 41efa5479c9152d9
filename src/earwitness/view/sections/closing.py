"""The receiver itself, the methods, the cautions."""

from __future__ import annotations

from typing import Any

from earwitness.view.markup import join, tag
from earwitness.view.page import (
    Page,
    Section,
    table,
)
from earwitness.view.words import (
    count,
    decibels,
    frequency,
    plain,
)

CAUTIONS = (
    "Whether you may receive a transmission, and whether you may tell others what you heard, differs from "
    "place to place. Much of what is here was not addressed to you: know the law where you are before you "
    "pass it on.",
    "Nothing here is fit for navigation, for collision avoidance or for any safety of life. Positions, "
    "names and numbers are what transmitters said of themselves; any of them can be wrong or invented.",
    "An antenna belongs nowhere near power lines. Go up no mast alone, fit a lightning arrester, and "
    "disconnect the antenna before a thunderstorm, not in it.",
)


def health(page: Page) -> Section | None:
    """Tell what was noticed of the receiver, and the traces that are its own."""
    parts: list[Any] = []
    told = []
    for rec in page.data.recordings[:40]:
        facts = {**rec.facts, **rec.health}
        pairs = [
            join([tag("dt", plain(k, limit=60)), tag("dd", plain(v, limit=200))])
            for k, v in list(facts.items())[:30]
            if v is not None
        ]
        warned = [tag("li", plain(w, limit=300)) for w in rec.warnings[:30]]
        if pairs or warned:
            told.append(
                tag(
                    "div",
                    tag("h3", plain(rec.name, limit=120)),
                    tag("dl", *pairs, class_="facts") if pairs else None,
                    tag("ul", *warned, class_="warnings") if warned else None,
                )
            )
    if told:
        parts.append(tag("div", *told, class_="receivers wide"))
    if page.false:
        rows = [
            tag(
                "tr",
                tag(
                    "th", frequency(row.get("frequency_hz"), row.get("frequency_uncertainty_hz")), scope="row"
                ),
                tag("td", page.clock(row.get("start")), data_label="Start"),
                tag("td", decibels(row.get("snr_db")), class_="fig", data_label="Over noise"),
                tag("td", plain(row.get("artefact"), limit=240), data_label="Why it is none"),
            )
            for row in page.false[:100]
        ]
        parts.append(
            tag(
                "p",
                f"{count(page.false_count, 'trace')} came from the receiver, not from the air"
                f"{', the first 100 of which follow' if len(page.false) > 100 else ''}:",
            )
        )
        parts.append(
            table(
                "Receiver artefacts",
                ("Frequency", "Start, UTC", "Over noise", "Why it is no emission"),
                rows,
            )
        )
    if not parts:
        return None
    return "receiver", "The receiver itself", join(parts)


def methods(page: Page) -> Section:
    """Tell how the figures were come by."""
    given = {
        "occupied bandwidth": "the width that holds 99 % of the power (ITU-R SM.443, β/2 method)",
        "frequency": "of the carrier or the middle of the power; of a train of bursts the mean, ± with their spread",
        "signal to noise": "signal power over noise power inside the occupied bandwidth",
        "designator": "necessary bandwidth and class of emission as in ITU Radio Regulations, Appendix 1",
        "occupancy": "share of looks above the threshold, with the 95 % interval of E. B. Wilson (1927)",
        "level": "relative to the full scale of the receiver (dBFS)",
        "calibration": "none of antenna, cable or receiver: levels compare within one recording only",
        **page.data.methods,
    }
    pairs = [
        join([tag("dt", plain(k, limit=80)), tag("dd", plain(v, limit=600))])
        for k, v in list(given.items())[:40]
    ]
    return "methods", "How this was measured", tag("dl", *pairs, class_="facts")


def cautions(page: Page) -> Section:
    """Tell what to beware of."""
    own = [plain(item, limit=600) for item in page.data.cautions[:20]]
    return "cautions", "Cautions", tag("ul", *(tag("li", item) for item in [*own, *CAUTIONS]))
