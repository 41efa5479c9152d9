"""What was said, by mode and sender."""

from __future__ import annotations

from itertools import islice
from typing import Any

from earwitness.view.data import Row
from earwitness.view.digest import PER_GROUP, Group, flags_of
from earwitness.view.markup import Markup, join, slug, tag, text
from earwitness.view.page import (
    Page,
    Section,
    mode_title,
    pair,
)
from earwitness.view.readable import figures_of, words_of
from earwitness.view.words import (
    NOTHING,
    count,
    decibels,
    frequency,
    grouped,
    listed,
    number,
    plain,
)


def messages(page: Page) -> Section | None:
    """List the messages by mode and sender."""
    digest = page.digest
    if not digest.total:
        return None
    groups = sorted(digest.groups.values(), key=lambda g: (-digest.modes[g.mode], g.mode, -g.count))
    parts: list[Any] = []
    for n, group in enumerate(groups):
        if n == 0 or groups[n - 1].mode != group.mode:
            parts.append(
                tag(
                    "h3",
                    mode_title(group.mode),
                    tag("small", count(digest.modes[group.mode], "message")),
                )
            )
        parts.append(_message_group(page, group, unfold=n == 0))
    checks = listed([f"{grouped(n)} {word}" for word, n in digest.checks.most_common(5)])
    return (
        "messages",
        "What was said",
        join(
            [
                pair(
                    tag(
                        "p",
                        f"{count(digest.total, 'message')}; {grouped(digest.shown)} of them are shown here, "
                        f"at most {PER_GROUP} of each sender, without the link's own bookkeeping. The export holds "
                        "them all, whole.",
                        tag(
                            "span",
                            " On paper four of each sender stand, and all that have words.",
                            class_="on-paper",
                        ),
                    ),
                    f"How they passed their check: {checks}. “Corrected” means that bits were mended first; "
                    "“address” that the parity matched an address heard before.",
                ),
                tag("div", *parts, class_="messages wide"),
            ]
        ),
    )


def _message_group(page: Page, group: Group, *, unfold: bool) -> Markup:
    who = (
        page.names.get(group.identity, plain(group.identity, limit=60))
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
        tag("ul", *(_message(page, row) for row in group.rows), class_="letters"),
        rest,
        open=unfold,
    )


def _check(row: Row) -> str:
    """Give how a message passed, and which check."""
    name = plain(row.get("check_name"), limit=120)
    return f"check {plain(row.get('check'), limit=20)}" + (f" ({name})" if name != NOTHING else "")


def _message(page: Page, row: Row) -> Markup:
    words = words_of(row)
    pairs = [join([tag("dt", term), tag("dd", shown)]) for term, shown in islice(figures_of(row), 40)]
    flags = flags_of(row)
    payload = plain(row.get("payload_hex") or "", limit=96)
    snr = number(row.get("snr_db"))
    samples = page.samples_link(row)
    return tag(
        "li",
        tag(
            "p",
            tag("time", page.clock(row.get("time"))),
            " ",
            tag("b", plain(row.get("kind"), limit=80)),
            join([" ", tag("b", listed(flags), class_="flag urgent")]) if flags else None,
            tag(
                "span",
                " ",
                ", ".join(
                    filter(
                        None,
                        [
                            _check(row),
                            f"{count(int(bits), 'bit')} mended"
                            if (bits := number(row.get("corrected_bits")))
                            else None,
                            frequency(row.get("frequency_hz")),
                            f"SNR {decibels(snr)}" if snr is not None else None,
                        ],
                    )
                ),
                " ",
                tag("code", plain(row.get("id"), limit=40)),
                " ",
                page.emission_link(row.get("emission_id")),
                join([" ", samples]) if samples else None,
                class_="quiet",
            ),
        ),
        tag("blockquote", text(words, limit=1200, keep_lines=True)) if words else None,
        tag("dl", *pairs) if pairs else None,
        tag("code", payload, class_="payload") if payload != NOTHING else None,
        id=slug(f"msg-{row.get('id')}"),
    )
