"""How busy each channel was, never saying more than was looked at."""

from __future__ import annotations

from earwitness.view.data import Row
from earwitness.view.markup import Markup, join, tag
from earwitness.view.page import (
    Page,
    Section,
    pair,
    pct,
    table,
)
from earwitness.view.words import (
    frequency,
    grouped,
    number,
    plain,
    wilson,
)
from earwitness.view.words import occupancy as told

MOST_CHANNELS = 300


def occupancy(page: Page) -> Section | None:
    """List each channel with its share of looks and the interval of it."""
    if not page.data.occupancy:
        return None
    rows = []
    busiest = sorted(page.data.occupancy, key=lambda row: -_share(row))[:MOST_CHANNELS]
    named = any(row.get("label") for row in busiest)
    for row in sorted(busiest, key=lambda row: number(row.get("frequency_hz")) or 0):
        looks, hits = int(number(row.get("samples")) or 0), int(number(row.get("occupied")) or 0)
        spread = max(number(row.get("inflation")) or 1.0, 1.0)
        low, high = wilson(hits / spread, looks / spread)
        rows.append(
            tag(
                "tr",
                tag("th", frequency(row.get("frequency_hz")), scope="row"),
                tag("td", plain(row["label"], limit=60) if row.get("label") else "", data_label="Name")
                if named
                else None,
                tag("td", _interval(_share(row), low, high), class_="bar", data_label="Share"),
                tag("td", told(hits, looks, spread), data_label="In use", class_="fig"),
            )
        )
    cut = (
        f" The {grouped(MOST_CHANNELS)} busiest of {grouped(len(page.data.occupancy))} are listed."
        if len(page.data.occupancy) > MOST_CHANNELS
        else ""
    )
    return (
        "occupancy",
        "How busy each channel was",
        join(
            [
                pair(
                    tag("p", f"How often each channel was found in use, of the times it was looked at.{cut}"),
                    "The whisker is the 95 % interval after Wilson (1927), widened where neighbouring looks "
                    "are not independent. A channel never seen in use is given "
                    "with the share it may still have had.",
                ),
                table(
                    "Channel occupancy",
                    ("Channel", *(["Name"] if named else []), "Share of looks, 0 to 100 %", "Seen in use"),
                    rows,
                    class_="occupancy",
                ),
            ]
        ),
    )


def _share(row: Row) -> float:
    looks, hits = number(row.get("samples")) or 0, number(row.get("occupied")) or 0
    return min(max(hits / looks, 0.0), 1.0) if looks > 0 else 0.0


def _interval(share: float, low: float, high: float) -> Markup:
    return tag(
        "svg",
        tag("line", x1="0%", x2="100%", y1=9, y2=9, class_="base"),
        tag("rect", x="0%", y=5, width=pct(share), height=8, class_="share"),
        tag("line", x1=pct(low), x2=pct(high), y1=9, y2=9, class_="whisker"),
        tag("line", x1=pct(low), x2=pct(low), y1=5, y2=13, class_="whisker"),
        tag("line", x1=pct(high), x2=pct(high), y1=5, y2=13, class_="whisker"),
        aria_hidden="true",
    )
