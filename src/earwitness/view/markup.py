"""HTML made of nested calls. Text becomes markup through one door, `text`, which disarms and escapes it.

Whatever is not `Markup` is escaped, so forgetting something shows as visible characters, never as code.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterable
from html import escape
from typing import Any
from urllib.parse import quote

from earwitness.core.errors import ParameterError
from earwitness.core.text import inert

TEXT_LIMIT = 4000
_NAME = re.compile(r"[a-z][a-zA-Z0-9-]*")
_VOID = frozenset({"br", "hr", "img", "meta", "source", "wbr", "input", "link"})
_MEDIA = frozenset({"image/png", "audio/flac", "audio/wav", "image/jpeg"})


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


def text(value: object, *, limit: int = TEXT_LIMIT, keep_lines: bool = False) -> Markup:
    """Give any value as inert, bounded, escaped HTML text, safe in content and in quoted attributes."""
    return (
        value
        if isinstance(value, Markup)
        else Markup(escape(inert(str(value), limit=limit, keep_lines=keep_lines)))
    )


def join(parts: Iterable[Any], between: str = "") -> Markup:
    """Join parts, each escaped unless it is markup already; None and nested lists are allowed."""
    out: list[str] = []
    for part in parts:
        if part is None or part is False:
            continue
        if isinstance(part, list | tuple):
            part = join(part)
        out.append(text(part))
    return Markup(text(between).join(out))


def tag(name: str, /, *children: Any, **attributes: Any) -> Markup:
    """Give one element. `class_` is class, `data_x` is data-x; None and False leave an attribute out.

    Addresses (`href`, `src`) take only what `link` and `embed` made: ParameterError otherwise.
    """
    head = [name]
    for key, value in attributes.items():
        if value is None or value is False:
            continue
        key = key.rstrip("_").replace("_", "-")
        if not _NAME.fullmatch(key) or key.startswith("on") or key in ("style", "srcdoc"):
            raise ParameterError(f"attribute {key!r} is not allowed in a page")
        if key in ("href", "src") and not isinstance(value, Address):
            raise ParameterError(f"{key} needs an address made by link(), anchor() or embed()")
        bound = value if isinstance(value, Address) else text("" if value is True else _figure(value))
        head.append(key if value is True else f'{key}="{bound}"')
    start = f"<{' '.join(head)}>"
    return Markup(start if name in _VOID else f"{start}{join(children)}</{name}>")


def _figure(value: Any) -> Any:
    return f"{value:.6g}" if isinstance(value, float) else value


class Address(Markup):
    """An address the page may hold: a place in the page, a file beside it, or embedded media."""

    __slots__ = ()


def anchor(identifier: object) -> Address:
    """Give the address of a place in this page."""
    return Address("#" + slug(identifier))


def slug(identifier: object) -> str:
    """Give an id attribute of letters, digits and dashes."""
    return re.sub(r"[^A-Za-z0-9-]+", "-", str(identifier)[:120]).strip("-") or "x"


def link(path: str) -> Address:
    """Give the address of a file beside the page; a scheme or host cannot come of it."""
    parts = [
        quote(part, safe="", errors="replace")
        for part in path.replace("\\", "/").split("/")
        if part not in ("", ".")
    ]
    return Address(escape("./" + "/".join(parts)))


def embed(data: bytes, kind: str) -> Address:
    """Give bytes as a data address of one of the few media kinds a page may embed."""
    if kind not in _MEDIA:
        raise ParameterError(f"{kind!r} is not embedded; allowed: {', '.join(sorted(_MEDIA))}")
    return Address(f"data:{kind};base64,{base64.b64encode(data).decode()}")
