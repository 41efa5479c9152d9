"""The Morse alphabet and its timing (ITU-R M.1677-1 part I, from memory)."""

import pytest

from earwitness.coding.morse_code import CHARACTERS, SERVICE, SIGNALS, dot_s, keying


def test_paris_is_fifty_dots_with_its_gap():
    # Common definition of a word a minute: PARIS and the gap after it are 50 dots.
    assert sum(length for _, length in keying("PARIS")) + 7 == 50


def test_codex_is_sixty_dots():
    # The other standard word, CODEX, is 60 dots (ITU practice for cipher groups; from memory).
    assert sum(length for _, length in keying("CODEX")) + 7 == 60


def test_all_signals_differ():
    assert len(CHARACTERS) == len(SIGNALS) + len(SERVICE)


@pytest.mark.parametrize(
    ("char", "signal"), [("E", "."), ("T", "-"), ("5", "....."), ("0", "-----"), ("?", "..--..")]
)
def test_known_signals(char, signal):
    assert SIGNALS[char] == signal


def test_service_signals_and_unknown_characters():
    assert [down for down, _ in keying("<END>")] == [True, False] * 5 + [True]
    assert keying("\x00\u2603") == []


def test_dot_at_twelve_words_a_minute():
    assert dot_s(12) == pytest.approx(0.1)
