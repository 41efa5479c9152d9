"""What can be listened to and looked at: voice, received pictures, evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import islice

from earwitness.view.data import Media, Row
from earwitness.view.facts import facts_of
from earwitness.view.markup import Markup, embed, join, link, slug, tag
from earwitness.view.page import (
    MOST_OVERS,
    Page,
    Section,
    mode_title,
    pair,
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
    squelch_tone,
)

MOST_PICTURES = 40
MEDIA_BYTES = 4_000_000  # of embedded audio and images from the air
ONE_CHANNEL_HZ = 3000.0  # emissions nearer than this may be parts of one transmission
PLATE_BYTES = 4_000_000  # of embedded evidence pictures


def overs(page: Page) -> Section | None:
    """List the voice transmissions with a player or link each."""
    if not page.data.overs:
        return None
    items, budget = [], MEDIA_BYTES
    for row in page.data.overs[:MOST_OVERS]:
        media = page.data.media.get(str(row.get("id")))
        said = f"Voice on {frequency(row.get('frequency_hz'))}, {page.clock(row.get('start'))} UTC"
        player, budget = _player(media, budget, said)
        start, stop = moment(row.get("start")), moment(row.get("stop"))
        length = duration((stop - start) / 1e9) if start is not None and stop is not None else NOTHING
        facts = [plain(row.get("class"), limit=30), squelch_tone(row.get("tone"))]
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
                    tag("time", page.clock(row.get("start"))),
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
    """Show images sent over the air, those of one transmission together."""
    if not page.data.pictures:
        return None
    shown = transmissions(page.data.pictures)
    items, budget = [], MEDIA_BYTES
    for rows in shown[:MOST_PICTURES]:
        item, budget = _from_air(page, rows, budget)
        items.append(item)
    left = len(shown) - len(items)
    more = tag("p", f"{count(left, 'more picture')} not shown.", class_="quiet") if left > 0 else None
    return "pictures", "Pictures from the air", join([tag("div", *items, class_="air-pictures wide"), more])


def transmissions(rows: Sequence[Row]) -> list[list[Row]]:
    """Give the pictures of each transmission, the surest first: several emissions may have led to one."""
    groups: list[list[Row]] = []
    for row in rows:
        for group in groups[-8:]:
            if _one_transmission(row, group[0]):
                group.append(row)
                break
        else:
            groups.append([row])
    return [sorted(group, key=_doubt) for group in groups]


def _one_transmission(a: Row, b: Row) -> bool:
    spans = [(moment(row.get("start")) or 0, moment(row.get("stop")) or 0) for row in (a, b)]
    shared = min(spans[0][1], spans[1][1]) - max(spans[0][0], spans[1][0])
    apart = abs((number(a.get("frequency_hz")) or 0) - (number(b.get("frequency_hz")) or 0))
    shorter = min(stop - start for start, stop in spans)
    return a.get("mode") == b.get("mode") and apart < ONE_CHANNEL_HZ and 2 * shared > shorter


def _doubt(row: Row) -> tuple[int, bool]:
    """Give how much had to be assumed of a picture; of equals the plain black and white one comes first."""
    facts = row.get("extra")
    told = facts if isinstance(facts, Mapping) else {}
    words = " ".join(str(value) for value in told.values())
    return sum(words.count(word) for word in ("assumed", "lost", "middle")), told.get("rendering") is None


def _from_air(page: Page, rows: Sequence[Row], budget: int) -> tuple[Markup, int]:
    """Set one transmission: its surest picture large, the same in greys to unfold, what is known of it beside."""
    best = rows[0]
    facts = best.get("extra")
    told = facts if isinstance(facts, Mapping) else {}
    title = f"{mode_title(str(best.get('mode')))}, {frequency(best.get('frequency_hz'))}"
    same = [row for row in rows[1:] if row.get("emission_id") == best.get("emission_id")]
    image, budget = _image(page, best, title, budget)
    folded = None
    if same:
        grey, budget = _image(page, same[0], f"{title}, in greys", budget)
        folded = tag("details", tag("summary", "The same in greys"), grey) if grey else None
    start, stop = clock(best.get("start"), date=True, digits=0), clock(best.get("stop"), digits=0)
    size = " × ".join(plain(best.get(key), limit=10) for key in ("width", "height"))
    lines = [
        ("sent", f"{start} to {stop} UTC"),
        ("frequency", frequency(best.get("frequency_hz"))),
        ("picture points", size),
        *((term, plain(words, limit=60)) for term, words in islice(facts_of(told), 20)),
    ]
    others = {str(row.get("emission_id")) for row in rows} - {str(best.get("emission_id"))}
    links = [page.emission_link(ident) for ident in (best.get("emission_id"), *sorted(others))]
    return (
        tag(
            "figure",
            tag("div", image, folded),
            tag(
                "figcaption",
                tag("b", title),
                tag("dl", *(join([tag("dt", term), tag("dd", words)]) for term, words in lines)),
                tag("p", "Taken from ", join([item for item in links if item], ", "), "."),
            ),
            class_="from-air",
        ),
        budget,
    )


def _image(page: Page, row: Row, title: str, budget: int) -> tuple[Markup | None, int]:
    media = page.data.media.get(str(row.get("id")))
    if media and media.data and len(media.data) <= budget:
        image = tag("img", src=embed(media.data, media.kind), alt=f"Picture received: {title}")
        return image, budget - len(media.data)
    return tag("a", "Open the picture", href=link(media.path)) if media and media.path else None, budget


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
        said = f"{frequency(row.get('frequency_hz'))}, {page.clock(row.get('start'))} UTC, {page.what(row)}"
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
                page.row_link(f"em-{ident}", name),
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


def _player(media: Media | None, budget: int, said: str) -> tuple[Markup, int]:
    if media and media.data is not None and len(media.data) <= budget:
        source = embed(media.data, media.kind)
        controls = tag("audio", controls=True, preload="none", src=source, aria_label=said)
        return controls, budget - len(media.data)
    if media and media.path:
        return tag(
            "p", tag("a", "Listen: ", media.path.replace("\\", "/").rsplit("/", 1)[-1], href=link(media.path))
        ), budget
    return tag("p", "No audio was kept.", class_="quiet"), budget


def _png_size(png: bytes) -> tuple[int, int]:
    return int.from_bytes(png[16:20], "big"), int.from_bytes(png[20:24], "big")
