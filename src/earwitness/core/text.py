"""Text from the air is hostile: made inert and bounded before it meets a terminal or a file name."""

from __future__ import annotations

import re
import unicodedata


def inert(text: str, *, limit: int = 2000, keep_lines: bool = False) -> str:
    """Replace control, format and bidirectional characters by visible symbols; bound the length."""
    if len(text) <= limit and text.isascii() and text.isprintable():
        return text  # most text, at a glance
    out = []
    for char in text[:limit]:
        if keep_lines and char == "\n":
            out.append(char)
        elif ord(char) < 32:
            out.append(chr(0x2400 + ord(char)))
        elif ord(char) == 127:
            out.append("\u2421")
        elif unicodedata.category(char) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"):
            out.append("\ufffd")
        else:
            out.append(char)
    if len(text) > limit:
        out.append("\u2026")
    return "".join(out)


def file_stem(text: str, *, limit: int = 80) -> str:
    """Give a file-name stem of letters, digits, dot, dash and underscore only."""
    stem = re.sub(r"[^A-Za-z0-9._-]+", "-", text).strip("-.")[:limit]
    return stem or "unnamed"
