"""What can be listened to and looked at: voice, received pictures, evidence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from earwitness.view.data import Media
from earwitness.view.markup import Markup, embed, join, link, slug, tag
from earwitness.view.page import (
    Page,
    Section,
    pair,
    to,
)
from earwitness.view.words import (
    NOTHING,
    clock,
    count,
    duration,
    frequency,
    grouped,
    moment,
    number,
    plain,
)

MOST_OVERS = 200
MOST_PICTURES = 40
MEDIA_BYTES = 4_000_000  # of embedded audio and images from the air
PLATE_BYTES = 4_000_000  # of embedded evidence pictures


def overs(page: Page) -> Section | None:
    """List the voice transmissions with a player or link each."""
    if not page.data.overs:
        return None
    items, budget = [], MEDIA_BYTES
    for row in page.data.overs[:MOST_OVERS]:
        media = page.data.media.get(str(row.get("id")))
        player, budget = _player(media, budget)
        start, stop = moment(row.get("start")), moment(row.get("stop"))
        length = duration((stop - start) / 1e9) if start is not None and stop is not None else NOTHING
        facts = [plain(row.get("class"), limit=30), _tone(row.get("tone"))]
        facts += [f"talkgroup {plain(row['talkgroup'], limit=40)}"] if row.get("talkgroup") else []
        facts += ["encrypted: not heard, never deciphered"] if row.get("encrypted") else []
        hint = row.get("perhaps_identity")
        items.append(
            tag(
                "li",
                tag(
                    "p",
                    tag("b", frequency(row.get("frequency_hz"))),
                    " ",
                    tag("time", clock(row.get("start"))),
                    f", {length}",
                    tag(
                        "span",
                        " ",
                        ", ".join(filter(None, facts)),
                        " ",
                        page.emission_link(row.get("emission_id")),
                        class_="quiet",
                    ),
                ),
                tag(
                    "p",
                    "Perhaps ",
                    page.identity_link(hint),
                    f": {plain(row.get('perhaps_rule'))}.",
                    class_="quiet",
                )
                if isinstance(hint, str)
                else None,
                player,
                id=slug(f"over-{row.get('id')}"),
            )
        )
    listed_ = min(len(page.data.overs), MOST_OVERS)
    cut = f" {grouped(listed_)} of them are listed." if page.over_count > listed_ else ""
    intro = pair(
        tag("p", f"{count(page.over_count, 'voice transmission')}.{cut}"),
        "Clips are in this page until they fill their share of it; later ones are files beside it.",
    )
    return "voice", "What was spoken", join([intro, tag("ol", *items, class_="clips wide")])


def received_pictures(page: Page) -> Section | None:
    """Show images sent over the air."""
    if not page.data.pictures:
        return None
    items, budget = [], MEDIA_BYTES
    for row in page.data.pictures[:MOST_PICTURES]:
        media = page.data.media.get(str(row.get("id")))
        told = f"{plain(row.get('mode'), limit=30)}, {frequency(row.get('frequency_hz'))}, "
        told += f"{clock(row.get('start'), date=True)} UTC"
        image: Markup | None = None
        if media and media.data and len(media.data) <= budget:
            budget -= len(media.data)
            image = tag("img", src=embed(media.data, media.kind), alt=f"Picture received: {told}")
        elif media and media.path:
            image = tag("a", "Open the picture", href=link(media.path))
        items.append(tag("figure", image, tag("figcaption", told), class_="from-air"))
    return "pictures", "Pictures from the air", tag("div", *items, class_="plates wide")


def evidence(page: Page) -> Section | None:
    """Show the evidence pictures."""
    if not page.plates_of:
        return None
    parts, budget, left_out = [], PLATE_BYTES, 0
    rows = {str(row.get("id")): row for row in [*page.data.emissions, *page.data.overs]}
    for ident, plates in page.plates_of.items():
        row = rows.get(ident, {})
        n = page.number.get(ident)
        name = f"Emission {n}" if n else plain(ident, limit=60)
        said = f"{frequency(row.get('frequency_hz'))}, {clock(row.get('start'))} UTC, {page.what(row)}"
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
                    tag("img", src=embed(plate.png, "image/png"), width=wide // 2, alt=alt, class_="plate"),
                )
            )
        if figures:
            heading = tag(
                "h3",
                to(f"em-{ident}", name) if n else name,
                tag("small", said),
                id=slug(f"plate-{ident}"),
            )
            parts.append(tag("div", heading, tag("div", *figures, class_="plates"), class_="exhibit"))
    cut = (
        f" {count(left_out, 'picture')} found no room in this page; the evidence command draws them."
        if left_out
        else ""
    )
    intro = pair(
        tag("p", "What the samples looked like, for the emissions that say the most.", cut),
        "Levels are densities in dBFS per hertz of bandwidth. Vermilion marks the measured extent, "
        "the dashed black line the noise.",
    )
    return "evidence", "Evidence", join([intro, tag("div", *parts, class_="wide")])


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
