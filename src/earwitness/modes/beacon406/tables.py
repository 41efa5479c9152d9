"""The tables of C/S T.001 Annex A, in its bit numbers: bit 25 is the first after the frame synchronisation.

Recalled from memory but for what tests check on published messages.
"""

from __future__ import annotations

from dataclasses import dataclass

# Modified Baudot code: the five bits of ITA2, before them 1 for letters and 0 for figures.
BAUDOT = {
    0b111000: "A", 0b110011: "B", 0b101110: "C", 0b110010: "D", 0b110000: "E", 0b110110: "F", 0b101011: "G",
    0b100101: "H", 0b101100: "I", 0b111010: "J", 0b111110: "K", 0b101001: "L", 0b100111: "M", 0b100110: "N",
    0b100011: "O", 0b101101: "P", 0b111101: "Q", 0b101010: "R", 0b110100: "S", 0b100001: "T", 0b111100: "U",
    0b101111: "V", 0b111001: "W", 0b110111: "X", 0b110101: "Y", 0b110001: "Z", 0b100100: " ",
    0b011000: "-", 0b010111: "/", 0b001101: "0", 0b011101: "1", 0b011001: "2", 0b010000: "3", 0b001010: "4",
    0b000001: "5", 0b010101: "6", 0b011100: "7", 0b001100: "8", 0b000011: "9",
}  # fmt: skip

AUXILIARY = {0: "none", 1: "121.5 MHz", 2: "9 GHz transponder", 3: "other"}
NATURES = {
    0: "unspecified distress", 1: "fire or explosion", 2: "flooding", 3: "collision", 4: "grounding",
    5: "listing, in danger of capsizing", 6: "sinking", 7: "disabled and adrift", 8: "abandoning ship",
}  # fmt: skip
DT_ACTIVATION = {0: "manual", 1: "automatic, by impact", 2: "automatic, by flight state", 3: "spare"}
DT_FRESHNESS = {
    0: "rotating field instead of a position",
    1: "older than 60 s",
    2: "2 s to 60 s old",
    3: "at most 2 s old",
}
# upper ends of the altitude steps, m
DT_ALTITUDES_M = (
    400, 800, 1200, 1600, 2200, 2800, 3400, 4000, 4800, 5600, 6600, 7600, 8800, 10000,
)  # fmt: skip
RLS_PROVIDERS = {0: "spare", 1: "Galileo", 2: "GLONASS", 3: "spare"}


@dataclass(frozen=True, slots=True)
class Part:
    """One field: its name, its first and last bit, how it is written."""

    name: str
    first: int
    last: int
    form: str = "number"  # number, baudot (6 bits a character), baudot5 (letters), digits (BCD), hex


@dataclass(frozen=True, slots=True)
class Coarse:
    """Where the position of the first field stands: sign, degrees, then steps of so many minutes."""

    latitude: int  # first bit
    longitude: int
    minute_bits: int
    step_minutes: int


@dataclass(frozen=True, slots=True)
class Delta:
    """Where the correction of the position stands: sign (1 = plus), minutes, steps of 4 seconds."""

    latitude: int
    longitude: int
    minute_bits: int


@dataclass(frozen=True, slots=True)
class Protocol:
    """One coding protocol: its name, the kind of beacon, who it names, where its position stands."""

    name: str
    beacon: str
    family: str  # user, standard, national, rls, dt
    parts: tuple[Part, ...]
    test: bool = False


AUX = Part("auxiliary", 84, 85)
CERTIFICATE = Part("certificate_number", 74, 83)

USER = {
    0b000: Protocol(
        "orbitography", "orbitography", "user", (Part("national_data", 40, 85, "hex"),), test=True
    ),
    0b001: Protocol(
        "aviation user",
        "ELT",
        "user",
        (Part("registration", 40, 81, "baudot"), Part("beacon_number", 82, 83), AUX),
    ),
    0b010: Protocol(
        "maritime user",
        "EPIRB",
        "user",
        (Part("ship", 40, 75, "baudot"), Part("beacon_number", 76, 81, "baudot"), AUX),
    ),
    0b011: Protocol("serial user", "beacon", "user", ()),
    0b100: Protocol("national user", "beacon", "user", (Part("national_data", 40, 85, "hex"),)),
    0b110: Protocol(
        "radio call sign user",
        "EPIRB",
        "user",
        (
            Part("ship", 40, 63, "baudot"),
            Part("ship_digits", 64, 75, "digits"),
            Part("beacon_number", 76, 81, "baudot"),
            AUX,
        ),
    ),
    0b111: Protocol("test user", "test", "user", (Part("national_data", 40, 85, "hex"),), test=True),
}
SERIAL_NUMBER = (Part("serial_number", 44, 63), CERTIFICATE, AUX)
SERIAL = {  # bits 40-42 of the serial user protocol
    0b000: Protocol("serial user, serial number", "ELT", "user", SERIAL_NUMBER),
    0b001: Protocol(
        "serial user, aircraft operator",
        "ELT",
        "user",
        (Part("aircraft_operator", 44, 61, "baudot"), Part("serial_number", 62, 73), CERTIFICATE, AUX),
    ),
    0b010: Protocol("serial user, float-free", "EPIRB", "user", SERIAL_NUMBER),
    0b011: Protocol(
        "serial user, aircraft address",
        "ELT",
        "user",
        (Part("aircraft_address", 44, 67, "hex"), Part("beacon_number", 68, 73), CERTIFICATE, AUX),
    ),
    0b100: Protocol("serial user, not float-free", "EPIRB", "user", SERIAL_NUMBER),
    0b110: Protocol("serial user, personal", "PLB", "user", SERIAL_NUMBER),
}
SHIP = (Part("mmsi_tail", 41, 60), Part("beacon_number", 61, 64))
TYPE_AND_SERIAL = (Part("certificate_number", 41, 50), Part("serial_number", 51, 64))
NATIONAL_NUMBER = (Part("national_number", 41, 58),)
LOCATION = {
    0b0010: Protocol("standard location, MMSI", "EPIRB", "standard", SHIP),
    0b0011: Protocol(
        "standard location, aircraft address", "ELT", "standard", (Part("aircraft_address", 41, 64, "hex"),)
    ),
    0b0100: Protocol("standard location, ELT serial", "ELT", "standard", TYPE_AND_SERIAL),
    0b0101: Protocol(
        "standard location, aircraft operator",
        "ELT",
        "standard",
        (Part("aircraft_operator", 41, 55, "baudot5"), Part("serial_number", 56, 64)),
    ),
    0b0110: Protocol("standard location, EPIRB serial", "EPIRB", "standard", TYPE_AND_SERIAL),
    0b0111: Protocol("standard location, PLB serial", "PLB", "standard", TYPE_AND_SERIAL),
    0b1000: Protocol("national location, ELT", "ELT", "national", NATIONAL_NUMBER),
    0b1001: Protocol("ELT(DT) location", "ELT(DT)", "dt", ()),
    0b1010: Protocol("national location, EPIRB", "EPIRB", "national", NATIONAL_NUMBER),
    0b1011: Protocol("national location, PLB", "PLB", "national", NATIONAL_NUMBER),
    0b1100: Protocol("ship security", "ship security", "standard", (Part("mmsi_tail", 41, 60),)),
    0b1101: Protocol("RLS location", "beacon", "rls", ()),
    0b1110: Protocol(
        "standard location, test", "test", "standard", (Part("national_data", 41, 64, "hex"),), test=True
    ),
    0b1111: Protocol(
        "national location, test", "test", "national", (Part("national_data", 41, 58, "hex"),), test=True
    ),
}
RLS_SERIAL = (Part("certificate_number", 43, 52), Part("serial_number", 53, 66))
RLS = {  # bits 41-42
    0: Protocol("RLS location, ELT", "ELT", "rls", RLS_SERIAL),
    1: Protocol("RLS location, EPIRB", "EPIRB", "rls", RLS_SERIAL),
    2: Protocol("RLS location, PLB", "PLB", "rls", RLS_SERIAL),
    3: Protocol("RLS location, test", "test", "rls", (Part("national_data", 43, 66, "hex"),), test=True),
}
RLS_SHIP = Protocol("RLS location, MMSI", "EPIRB", "rls", (Part("mmsi_tail", 47, 66),))
DT = {  # bits 41-42
    0: Protocol("ELT(DT), aircraft address", "ELT(DT)", "dt", (Part("aircraft_address", 43, 66, "hex"),)),
    1: Protocol(
        "ELT(DT), aircraft operator",
        "ELT(DT)",
        "dt",
        (Part("aircraft_operator", 43, 57, "baudot5"), Part("serial_number", 58, 66)),
    ),
    2: Protocol("ELT(DT), serial", "ELT(DT)", "dt", RLS_SERIAL),
    3: Protocol("ELT(DT), test", "test", "dt", (Part("national_data", 43, 66, "hex"),), test=True),
}

COARSE = {
    "user": Coarse(108, 120, 4, 4),
    "standard": Coarse(65, 75, 2, 15),
    "national": Coarse(59, 72, 5, 2),
    "rls": Coarse(67, 76, 1, 30),
    "dt": Coarse(67, 76, 1, 30),
}
DELTA = {
    "standard": Delta(113, 123, 5),
    "national": Delta(113, 120, 2),
    "rls": Delta(115, 124, 4),
    "dt": Delta(115, 124, 4),
}
