"""Positions and reports of the APRS Protocol Reference 1.0.1, as the project's sheet of checked values has them."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.payloads.aprs import compressed_position, parse, plain_position


def test_compressed_positions_of_the_reference():
    # APRS 1.0.1 chapter 9: 49 30 N 072 45 W, course 88, 36.2 kn; range 20.13 mi; altitude 10004 ft
    fields, rest = compressed_position("/5L!!<*e7>7P[")
    assert (fields["latitude_deg"], fields["longitude_deg"]) == pytest.approx((49.5, -72.75), abs=1e-5)
    assert (fields["course_deg"], fields["speed_kn"], rest) == (88, 36.2, "")
    assert compressed_position("/5L!!<*e7>{?!")[0]["range_mi"] == 20.13
    assert compressed_position("/5L!!<*e7OS]S")[0]["altitude_ft"] == pytest.approx(10004, abs=1)


def test_plain_position():
    # APRS 1.0.1 chapter 8: 4903.50N/07201.75W
    fields, rest = plain_position("4903.50N/07201.75W-Test 001234")
    assert (fields["latitude_deg"], fields["longitude_deg"]) == pytest.approx(
        (49.058333, -72.029167), abs=1e-6
    )
    assert (fields["symbol"], rest) == ("/-", "Test 001234")
    # chapter 6, position ambiguity: 4903.  N
    fields, _ = plain_position("4903.  N/07201.  W-")
    assert fields["position_ambiguity_digits"] == 2
    assert fields["latitude_deg"] == pytest.approx(49 + 3.5 / 60)


def test_course_speed_and_altitude():
    kind, fields = parse(b"=4903.50N/07201.75W>145/036/A=001234 en route", "APZ001")
    assert kind == "position"
    assert (fields["course_deg"], fields["speed_kn"], fields["altitude_ft"]) == (145, 36, 1234)
    assert fields["comment"] == "en route"


def test_mic_e():
    # APRS 1.0.1 chapter 10: S32U6T is 33 25.64 N, west, no offset, "returning"; information (_fn"Oj/
    kind, fields = parse(b'`(_fn"Oj/', "S32U6T")
    assert kind == "position"
    assert fields["latitude_deg"] == pytest.approx(33 + 25.64 / 60, abs=1e-6)
    assert fields["longitude_deg"] == pytest.approx(-(12 + 7.74 / 60), abs=1e-6)
    assert (fields["speed_kn"], fields["course_deg"]) == (20, 251)
    assert (fields["symbol"], fields["state"]) == ("/j", "returning")


def test_mic_e_south_east_with_offset():
    # aprssig/ozaprs exchange 2016: ST54S9 is 34 54.39 S, longitude offset 100, east, "en route"
    _, fields = parse(b"`Ae!l!!>/", "ST54S9")
    assert fields["latitude_deg"] == pytest.approx(-(34 + 54.39 / 60), abs=1e-6)
    assert fields["longitude_deg"] > 100
    assert fields["state"] == "en route"


def test_others():
    assert parse(b">Net control until 2100", "X") == ("status", {"text": "Net control until 2100"})
    kind, fields = parse(b":WU2Z     :Testing{003", "X")  # chapter 14
    assert (kind, fields) == ("message", {"addressee": "WU2Z", "message_number": "003", "text": "Testing"})
    assert parse(b":KB2ICI-14:ack003", "X")[0] == "acknowledgement"  # chapter 14
    kind, fields = parse(b"T#005,199,000,255,073,123,01101001", "X")  # chapter 13
    assert kind == "telemetry"
    assert (fields["analog"], fields["digital"]) == ([199, 0, 255, 73, 123], "01101001")
    kind, fields = parse(b";LEADER   *092345z4903.50N/07201.75W>088/036", "X")  # chapter 11
    assert (kind, fields["object_name"], fields["alive"]) == ("object", "LEADER", True)
    assert (fields["time_stamp"], fields["course_deg"]) == ("day 9 23:45 UTC", 88)
    kind, fields = parse(b")AID #2!4903.50N/07201.75WA", "X")  # chapter 11
    assert (kind, fields["object_name"], fields["alive"]) == ("object", "AID #2", True)


def test_weather():
    # chapter 12: positionless, and complete with position
    kind, fields = parse(b"_10090556c220s004g005t077r000p000P000h50b09900wRSW", "X")
    assert kind == "weather"
    assert (fields["wind_direction_deg"], fields["wind_speed_mph"], fields["gust_mph"]) == (220, 4, 5)
    assert (fields["temperature_f"], fields["humidity_pct"], fields["pressure_hpa"]) == (77, 50, 990.0)
    kind, fields = parse(b"@092345z4903.50N/07201.75W_220/004g005t-07r000p000P000h50b09900wRSW", "X")
    assert (kind, fields["temperature_f"], fields["wind_speed_mph"]) == ("weather", -7, 4)


def test_messages_and_queries():
    # chapters 13 to 15 of APRS 1.0.1, examples from memory
    assert parse(b":BLN3     :Snow expected in Tampa RSN", "X")[0] == "bulletin"
    assert parse(b":NWS-WARN :092010z,THUNDER_STORM,AR_ASHLEY", "X")[0] == "bulletin"
    assert parse(b":KH2Z     :?APRSD", "X")[0] == "query"
    kind, fields = parse(b"?APRS? 34.02,-117.15,0200", "X")
    assert (kind, fields["query"], fields["area_radius_mi"]) == ("query", "APRS", 200)
    assert (fields["area_latitude_deg"], fields["area_longitude_deg"]) == (34.02, -117.15)
    _, fields = parse(b":N0QBF-11 :EQNS.0,5.2,0,0,.53,-32,3,4.39,49,-32,3,18,1,2,3", "X")
    assert fields["coefficients"][1] == [0, 0.53, -32]
    _, fields = parse(b":N0QBF-11 :BITS.10110101,N0QBF's Big Balloon", "X")
    assert (fields["bit_sense"], fields["project"]) == ("10110101", "N0QBF's Big Balloon")


def test_status_with_beam():
    # chapter 16, from memory: ^B7 is a heading of 110 degrees and 490 W
    _, fields = parse(b">IO91SX/- ^B7", "X")
    assert (fields["grid"], fields["beam_heading_deg"], fields["radiated_power_w"]) == ("IO91SX", 110, 490)


def test_positions_elsewhere():
    # chapters 6 to 8, from memory: after an old node's header, as a locator, as a receiver's sentence
    assert parse(b"TheNet X-1J4 (BFLD)!4903.50N/07201.75Wn", "X")[1]["latitude_deg"] == pytest.approx(
        49.058333
    )
    assert parse(b"[IO91SX] 35 miles NNW of London", "X")[1]["grid"] == "IO91SX"
    sentence = b"$GPGGA,102705,5157.9762,N,00029.3256,W,1,04,2.0,75.7,M,47.6,M,,*62"
    kind, fields = parse(sentence, "X")
    assert (kind, fields["altitude_m"]) == ("position", 75.7)
    assert fields["latitude_deg"] == pytest.approx(51 + 57.9762 / 60, abs=1e-6)
    assert fields["longitude_deg"] == pytest.approx(-29.3256 / 60, abs=1e-6)
    assert parse(sentence[:-1] + b"3", "X") is None  # a wrong checksum


def test_direction_finding_and_storms():
    # chapters 7 and 8, from memory
    _, fields = parse(b"=4903.50N/07201.75W#PHG5132", "X")
    assert [fields[name] for name in ("power_w", "antenna_height_ft", "antenna_gain_db", "antenna_direction_deg")] == [
        25, 20, 3, 90,
    ]  # fmt: skip
    _, fields = parse(b"=4903.50N/07201.75W#DFS2360", "X")
    assert (fields["signal_strength_s"], fields["antenna_height_ft"], fields["antenna_gain_db"]) == (2, 80, 6)
    _, fields = parse(b"@092345z4903.50N/07201.75W\\088/036/270/729", "X")
    assert (fields["course_deg"], fields["bearing_deg"], fields["bearing_quality"]) == (88, 270, "729")
    _, fields = parse(b";BRENDA   *092345z4903.50N/07201.75W@088/036/HC/150^200/0980>090&030%040", "X")
    assert (fields["storm"], fields["sustained_wind_kn"], fields["gust_kn"]) == ("hurricane", 150, 200)
    assert (fields["central_pressure_hpa"], fields["gale_radius_nmi"]) == (980, 40)


def test_weather_of_other_stations():
    # chapters 9 and 12, from memory: a compressed position's course and speed are the wind's; words in hexadecimal
    _, fields = parse(b"@092345z/5L!!<*e7_7P[g005t077r000p000P000h50b09900wRSW", "X")
    assert (fields["wind_direction_deg"], fields["wind_speed_kn"], fields["gust_mph"]) == (88, 36.2, 5)
    kind, fields = parse(b"$ULTW0031003702CE0069----000086A00001----011901CC00000005", "X")
    assert (kind, fields["temperature_f"], fields["rain_total_in"]) == ("weather", 71.8, 1.05)


@given(st.binary(max_size=600), st.text(max_size=8))
def test_hostile_information_is_borne(info, destination):
    found = parse(info, destination)
    if found:
        json.dumps(found[1], allow_nan=False)


@given(st.sampled_from("!=/@>:;)T_`'<?}[{$"), st.text("0123456789 ./NSEWnsew_>{}#,TABC!$", max_size=60), st.text("0123456789ALPSTZ", min_size=6, max_size=6))  # fmt: skip
def test_nearly_right_information_is_borne(kind, rest, destination):
    found = parse((kind + rest).encode(), destination)
    if found:
        json.dumps(found[1], allow_nan=False)
        if "latitude_deg" in found[1]:
            assert abs(found[1]["latitude_deg"]) <= 90
            assert abs(found[1]["longitude_deg"]) <= 180
