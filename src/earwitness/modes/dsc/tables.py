"""The tables of ITU-R M.493-15 as the project's sheet gives them: symbols and what they say."""

from __future__ import annotations

DISTRESS, AREA, GROUP, ALL_SHIPS, INDIVIDUAL, AUTOMATIC = 112, 102, 114, 116, 120, 123
FORMATS = {
    DISTRESS: "distress",
    AREA: "geographic area",
    GROUP: "group",
    ALL_SHIPS: "all ships",
    INDIVIDUAL: "individual",
    AUTOMATIC: "individual, automatic service",
}
CATEGORIES = {100: "routine", 106: "ship's business", 108: "safety", 110: "urgency", 112: "distress"}
NATURES = {
    100: "fire or explosion",
    101: "flooding",
    102: "collision",
    103: "grounding",
    104: "listing, in danger of capsizing",
    105: "sinking",
    106: "disabled and adrift",
    107: "undesignated",
    108: "abandoning ship",
    109: "piracy or armed attack",
    110: "man overboard",
    112: "emergency beacon (EPIRB)",
}
ACKNOWLEDGE, RELAY, TEST, POSITION_UPDATE, NONE = 110, 112, 118, 121, 126
TELECOMMANDS = {
    100: "F3E/G3E voice",
    101: "F3E/G3E voice, duplex",
    103: "polling",
    104: "unable to comply",
    105: "end of call",
    106: "data",
    109: "J3E voice",
    ACKNOWLEDGE: "distress acknowledgement",
    RELAY: "distress relay",
    113: "telegraphy with forward error correction",
    115: "telegraphy with repetition on request",
    TEST: "test",
    POSITION_UPDATE: "position update",
    NONE: "none",
}
REASONS = {
    100: "no reason given",
    101: "congestion at the exchange",
    102: "busy",
    103: "queue",
    104: "station barred",
    105: "no operator available",
    106: "operator temporarily unavailable",
    107: "equipment disabled",
    108: "unable to use proposed channel",
    109: "unable to use proposed mode",
    110: "ships of states not parties to an armed conflict",
    111: "medical transport",
    112: "pay-phone",
    113: "fax or data",
    NONE: "none",
}
ENDS = {117: "acknowledgement wanted", 122: "acknowledges", 127: "none wanted"}
END_CODES = {117: "RQ", 122: "BQ", 127: "EOS"}
EOS = 127  # end of sequence that wants no acknowledgement
HAS_POSITION = 55  # first message symbol before a position in a position reply (from memory)
EVEN_DIGITS, ODD_DIGITS = 106, 105  # before a telephone number (from memory)
