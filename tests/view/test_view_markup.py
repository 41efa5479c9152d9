"""The HTML builder against an independent parser (the standard library's)."""

from html.parser import HTMLParser

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.core.errors import ParameterError
from earwitness.core.text import inert
from earwitness.view.markup import anchor, embed, join, link, slug, tag, text


class Seen(HTMLParser):
    def __init__(self, page):
        super().__init__(convert_charrefs=True)
        self.tags, self.words = [], ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words += data


@given(st.text())
def test_any_text_comes_back_as_text(words):
    seen = Seen(tag("p", words, title=words))
    assert [name for name, _ in seen.tags] == ["p"]
    assert seen.words == inert(words, limit=4000)
    assert seen.tags[0][1] == {"title": inert(words, limit=4000)}


@given(st.text())
def test_no_path_becomes_a_scheme_or_a_host(path):
    address = link(path)
    assert address.startswith("./")
    assert ":" not in address
    assert not address.startswith(".//")
    assert not set(address) & set("<>\"' \n\t\\")


@given(st.text())
def test_ids_are_plain(words):
    assert slug(words).replace("-", "a").isalnum()
    assert slug(words).isascii()
    assert anchor(words) == "#" + slug(words)


@pytest.mark.parametrize("attribute", ["onclick", "onload", "style", "srcdoc", "a b", "x=y"])
def test_dangerous_attributes_are_refused(attribute):
    with pytest.raises(ParameterError):
        tag("p", **{attribute: "1"})


@pytest.mark.parametrize(
    "url", ["javascript:alert(1)", "https://example.org/", "//example.org", "data:text/html,x"]
)
def test_only_made_addresses_are_taken(url):
    with pytest.raises(ParameterError):
        tag("a", href=url)
    with pytest.raises(ParameterError):
        tag("img", src=url)


def test_only_media_is_embedded():
    assert embed(b"\x00\x01", "audio/flac") == "data:audio/flac;base64,AAE="
    with pytest.raises(ParameterError):
        embed(b"<svg onload=alert(1)>", "image/svg+xml")


def test_markup_is_not_escaped_twice():
    assert join([text("a&b"), tag("br"), "c<d", None, ["e"]]) == "a&amp;b<br>c&lt;de"
