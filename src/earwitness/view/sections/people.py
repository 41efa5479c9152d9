"""Who was heard, on the map and in a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from earwitness.view.chart import Area, Place, draw
from earwitness.view.data import Row
from earwitness.view.digest import flags_of, urgency
from earwitness.view.markup import Markup, join, slug, tag
from earwitness.view.page import (
    Page,
    Section,
    identity_name,
    small,
    table,
)
from earwitness.view.words import (
    count,
    grouped,
    listed,
    moment,
    number,
    plain,
    position,
)

MOST_TIES = 200
MOST_NAMED = 100  # positions and areas in messages


def identities(page: Page) -> Section | None:
    """Draw and list who was heard."""
    shown = page.people
    if not shown:
        return None
    places, lost = [], 0
    for row in shown:
        lat, lon = number(row.get("latitude_deg")), number(row.get("longitude_deg"))
        if lat is None or lon is None or abs(lat) > 90 or abs(lon) > 180:
            lost += 1
            continue
        ident = str(row.get("id"))
        places.append(
            Place(
                ident,
                identity_name(row),
                plain(row.get("kind"), limit=30),
                lat,
                lon,
                _track(page, row),
                any(urgency(f) < 4 for f in flags_of(row)),
            )
        )
    parts: list[Any] = []
    named, areas = _named(page)
    if places or named:
        lat, lon = (
            number(page.data.station.get("latitude_deg")),
            number(page.data.station.get("longitude_deg")),
        )
        here = (
            (lat, lon) if lat is not None and lon is not None and abs(lat) <= 90 and abs(lon) <= 180 else None
        )
        title = f"Map of {count(len(places) + len(named), 'position')}"
        svg, outside = draw([*places, *named], here, title=title, areas=areas)
        words = [f"{count(len(places), 'identity', 'identities')} with a position, as they reported it."]
        if outside:
            words.append(f"{count(outside, 'position')} lie too far off to be drawn and may well be wrong.")
        if named or areas:
            words.append(
                f"Crosses and hatched boxes: {count(len(named) + len(areas), 'place')} that messages name."
            )
        if lost:
            words.append(f"{count(lost, 'identity', 'identities')} told no position.")
        if here:
            words.append("Rings are distances from the station.")
        parts.append(
            tag(
                "figure",
                tag("div", svg, class_="scroll", tabindex="0", role="region", aria_label="Map"),
                tag(
                    "figcaption",
                    " ".join(words),
                    " Equidistant cylindrical projection; land after Natural Earth "
                    "1:50 million, about 1.5 km true. Not for navigation.",
                ),
                class_="wide",
            )
        )
    rows = [_identity_row(page, row) for row in shown]
    ties = [_tie_row(page, row) for row in page.data.relations[:MOST_TIES]]
    if page.identity_count > len(shown):
        parts.append(
            tag(
                "p",
                f"The {grouped(len(shown))} most talkative of {grouped(page.identity_count)} are listed.",
                class_="quiet",
            )
        )
    parts.append(
        table(
            "Identities",
            ("Who", "Kind", "Messages", "First and last heard", "Last position", "Notes"),
            rows,
            class_="people",
            sortable=True,
        )
    )
    if ties:
        parts.append(
            tag(
                "p",
                "Rules tied some of them together. Where it says same, they are one row above; the rest are hints. "
                "Part two whom rules got wrong, for good and whatever rule: earwitness identity ONE --part OTHER.",
            )
        )
        parts.append(table("What ties them", ("Who", "Is", "Whom", "By which rule", "Id"), ties))
    return "identities", "Who was heard", join(parts)


def _named(page: Page) -> tuple[list[Place], list[Area]]:
    """Give the positions and areas that shown messages name, of others than the sender."""
    places: dict[tuple[float, float], Place] = {}
    areas: dict[tuple[float, ...], Area] = {}
    for group in page.digest.groups.values():
        for row in group.rows:
            fields, ident = row.get("fields"), row.get("identity")
            if not isinstance(fields, Mapping) or not isinstance(ident, str):
                continue
            key = page.alias.get(ident, ident)
            key = key if page.has_row(f"id-{key}") else ""
            what = plain(fields.get("subject") or row.get("kind"), limit=60)
            name = " ".join(
                str(fields[part]) for part in ("station", "subject_indicator", "serial") if fields.get(part)
            )
            urgent = any(urgency(flag) < 4 for flag in flags_of(row))
            positions = fields.get("positions")
            for item in positions[:20] if isinstance(positions, list) else ():
                lat, lon = _place(item)
                if lat is not None and lon is not None and len(places) < MOST_NAMED:
                    label = plain(name, limit=24) if name else what
                    places[lat, lon] = Place(key, label, "named", lat, lon, (), urgent)
            area = fields.get("area")
            if isinstance(area, Mapping) and len(areas) < MOST_NAMED:
                edges = [number(area.get(f"{side}_deg")) for side in ("north", "west", "south", "east")]
                if None not in edges:
                    north, west, south, east = (float(edge or 0.0) for edge in edges)
                    areas[north, west, south, east] = Area(key, what, north, west, south, east)
    return list(places.values()), list(areas.values())


def _place(item: Any) -> tuple[float | None, float | None]:
    """Give latitude and longitude of a named position that lies on the globe."""
    if not isinstance(item, Mapping):
        return None, None
    lat, lon = number(item.get("latitude_deg")), number(item.get("longitude_deg"))
    if lat is None or lon is None or abs(lat) > 90 or abs(lon) > 180:
        return None, None
    return lat, lon


def _track(page: Page, row: Row) -> Sequence[tuple[float, float]]:
    """Give the longest track of those a row stands for: two modes' positions in turn would zigzag."""
    ids = [str(row.get("id")), *map(str, row.get("joined_ids") or ())]
    return max((page.digest.tracks.get(ident, ()) for ident in ids), key=len)


def _tie_row(page: Page, row: Row) -> Markup:
    told = plain(row.get("relation"), limit=40)
    ends = [
        page.identity_link(str(row.get(end)), plain(row.get(f"{end}_key"), limit=60)) for end in ("a", "b")
    ]
    return tag(
        "tr",
        tag("th", ends[0], scope="row"),
        tag("td", f"{told}, parted by hand" if row.get("undone") else told, data_label="Is"),
        tag("td", ends[1], data_label="Whom"),
        tag("td", plain(row.get("rule")), data_label="Rule"),
        tag("td", tag("code", plain(row.get("id"), limit=40)), data_label="Id"),
    )


def _identity_row(page: Page, row: Row) -> Markup:
    ident = str(row.get("id"))
    name, key = identity_name(row), plain(row.get("key"), limit=60)
    labels = row.get("labels")
    notes = [plain(item, limit=80) for item in labels[:8]] if isinstance(labels, list | tuple) else []
    flags = flags_of(row)
    seen = [page.clock(row.get("first_seen"), 0), page.clock(row.get("last_seen"), 0)]
    return tag(
        "tr",
        tag(
            "th",
            name,
            small(key) if key != name else None,  # who gave no name goes by the key alone
            scope="row",
            data_sort=name,
        ),
        tag("td", plain(row.get("kind"), limit=30), data_label="Kind"),
        tag(
            "td",
            grouped(int(number(row.get("message_count")) or 0)),
            class_="fig",
            data_label="Messages",
            data_sort=int(number(row.get("message_count")) or 0),
        ),
        tag(
            "td",
            " to ".join(dict.fromkeys(seen)),
            data_label="Heard",
            data_sort=moment(row.get("first_seen")) or 0,
        ),
        tag("td", position(row.get("latitude_deg"), row.get("longitude_deg")), data_label="Position"),
        tag(
            "td",
            tag("b", listed(flags), class_="flag") if flags else None,
            " " if flags else None,
            ", ".join(notes),
            data_label="Notes",
        ),
        id=slug(f"id-{ident}"),
        tabindex="-1",
    )
