"""Our receivers against transmitters that know nothing of them (`transmitters.py`)."""

import numpy as np
import pytest
import transmitters as tx

from earwitness.core.mode import get_mode
from earwitness.core.types import Samples


def heard(mode, iq, rate_hz, centre_hz, *, snr_db=None, width_hz=1.0):
    density = None if snr_db is None else -20 - snr_db - 10 * np.log10(width_hz)
    demodulator, assembler = get_mode(mode).demodulator(), get_mode(mode).assembler()
    frames = [
        frame
        for at in range(0, len(iq), 20_000)
        for frame in demodulator.feed(
            Samples(iq[at : at + 20_000], rate_hz, centre_hz, at, 1_700_000_000_000_000_000, density)
        )
    ]
    frames += demodulator.close()
    messages = [message for frame in frames for message in assembler.feed(frame)]
    return messages + list(assembler.close())


# -- the transmitters against the sheets -------------------------------------------------------------------


def test_ais_burst_of_the_sheet():
    """Section 1.4: published sentence, its burst before and after NRZI."""
    message = tx.bits_of(0x044B572F74000C4DC8EEC31C2712A92E758E006094, 168)
    bits = tx.ais_bits(message)
    assert tx.hex_of(bits) == "5555557E20D2EAF42E0030B21377C19C72244ABA5738800314AD373F00"
    assert tx.hex_of(tx.nrzi(bits)) == "CCCCCCFE95C9E60D6155758948F02BBD096D26793085AAA8B263708080"


def test_dsc_stream_of_the_sheet():
    bits = tx.dsc_bits([112, 23, 20, 1, 23, 40, 107, 15, 1, 20, 6, 34, 12, 30, 100], 127, 20)
    assert tx.hex_of(bits) == (
        "55555BE7D9BE5DABE6DABE4DBBE75ABE55B0F25B0F05CE8C3C2943C81BA3E8CA515606D6BA3F0C5581B5A297C361606454A53158578D"
        "15270C5FE1E38949CFE3F8FE2250"
    )


def test_navtex_stream_of_the_sheet():
    assert tx.hex_of(tx.sitor_bits("ZCZC AB01\r\nTEST\r\nNNNN", 3)).startswith(
        "67E19F867E31F8B9E31E3B970EE3E37139D6DC6D2774D87DA36E968F2E6DAADD25CBB51FA4D979A3E69B9B366CDF137C4DF1E0"
    )


def test_acars_frame_of_the_sheet():
    octets, check = tx.acars_block("2", "N123AB", "Q0", "1", "S01AXX0001")
    assert bytes(octets).hex().upper() == "32AECE3132B3C1C21551B03102D3B031C15858B0B0B03183"
    assert bytes(check).hex().upper() == "B260"


def test_vdl2_burst_of_the_sheet():
    frame = tx.avlc((1, 0xABCDEF), (4, 0x10A0B1), 0x01)
    assert bytes(frame).hex() == "b0f4d8f60442828d01"
    phases = "".join(map(str, tx.vdl2_phases([frame])))
    assert phases == "000003511204546316500717522551007602155323536165122313201734700071055"


def test_squelch_words_of_the_sheet():
    assert [tx.dcs_word(code) for code in ("023", "754")] == [0x763813, 0x20F9EC]


# -- the receivers -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("first", [0, 1])
@pytest.mark.parametrize("bt", [0.3, 0.4, 0.5])
def test_ais_whichever_bit_the_training_begins_with(first, bt):
    rng = np.random.default_rng(first)
    for trial in range(6):
        message = tx.position(trial, rng)
        wave = tx.ais(message, 50_000.0, first=first, bt=bt, ppm=float(rng.uniform(-50, 50)))
        # in the symbol rate; all bits are right nine times in ten without any loss at 7 dB
        iq = tx.received(
            wave, 50_000.0, snr_db=12, width_hz=9600, offset_hz=float(rng.uniform(-1000, 1000)), seed=trial
        )
        got = heard("ais", iq, 50_000.0, 161.975e6, snr_db=12, width_hz=9600)
        assert [one.frame.bits.hex() for one in got] == [tx.hex_of(message)], trial


@pytest.mark.parametrize("index", [0.44, 0.56])
def test_ais_of_a_modulator_out_of_adjustment(index):
    """M.1371-5 annex 2, 2.4: modulation index 0.5; 12 % off turns a run of like bits by 11 degrees each."""
    rng = np.random.default_rng(7)
    heard_right = 0
    for trial in range(12):
        message = tx.position(trial, rng)
        wave = tx.ais(message, 50_000.0, index=index)
        iq = tx.received(wave, 50_000.0, snr_db=11, width_hz=9600, offset_hz=500.0, seed=trial)
        got = heard("ais", iq, 50_000.0, 161.975e6, snr_db=11, width_hz=9600)
        assert [one.frame.bits.hex() for one in got] in ([tx.hex_of(message)], [])
        heard_right += len(got)
    assert heard_right >= 11  # 2 and 9 before other deviations were tried


@pytest.mark.parametrize("apart_s", [-0.5e-3, 0.3e-3, 0.8e-3, 11e-3])
def test_ais_two_vessels_in_one_slot(apart_s):
    """The weaker one 8 dB beneath, with its own carrier, clock and modulation index (M.1371-5 annex 2, 2.4)."""
    rng = np.random.default_rng(3)
    rate_hz = 48_000.0
    strong = weak = 0
    for trial in range(12):
        messages, waves = [], []
        for vessel, index in enumerate(rng.uniform(0.48, 0.52, 2)):
            message = tx.position(2 * trial + vessel, rng)
            wave = tx.ais(message, rate_hz, index=index, ppm=float(rng.uniform(-30, 30)))
            turn = np.exp(2j * np.pi * rng.uniform(-500, 500) / rate_hz * np.arange(len(wave)))
            messages.append(tx.hex_of(message))
            waves.append(wave * turn)
        late = round(apart_s * rate_hz)
        both = np.zeros(len(waves[0]) + len(waves[1]) + abs(late), complex)
        both[max(-late, 0) :][: len(waves[0])] += waves[0]
        both[max(late, 0) :][: len(waves[1])] += 10 ** (-8 / 20) * waves[1]
        power = np.mean(np.abs(waves[0]) ** 2) / np.mean(np.abs(both) ** 2)
        iq = tx.received(both, rate_hz, snr_db=26 - 10 * np.log10(power), width_hz=9600, seed=trial)
        got = {one.frame.bits.hex() for one in heard("ais", iq, rate_hz, 161.975e6, snr_db=26, width_hz=9600)}
        assert got <= set(messages)
        strong += messages[0] in got
        weak += messages[1] in got
    assert strong == 12
    assert weak >= 8  # 9 to 10; 2 to 5 before the stronger one's deviation, start and end were taken out, too


def test_dsc_on_vhf():
    call = [120, 23, 20, 1, 23, 40, 100, 23, 50, 9, 99, 90, 100, 126, 90, 0, 72, 126, 126, 126]
    for seed, (index, offset_hz) in enumerate([(1.8, -1200.0), (2.2, 900.0)]):
        wave = tx.dsc_vhf(tx.dsc_bits(call, 117, 20), 24_000.0, index=index, ppm=30.0)
        iq = tx.received(wave, 24_000.0, snr_db=4, width_hz=16_000, offset_hz=offset_hz, seed=seed)
        got = heard("dsc", iq, 24_000.0, 156.525e6)
        assert [one.fields["symbols"] for one in got] == [[*call, 117]]
        assert got[0].fields["channel"] == 72


def test_dsc_on_medium_frequency():
    call = [112, 23, 20, 1, 23, 40, 107, 15, 1, 20, 6, 34, 12, 30, 100]
    wave = tx.keyed(tx.dsc_bits(call, 127, 200), 20_000.0, 100, 170, high=0, ppm=-30.0)
    iq = tx.received(wave, 20_000.0, snr_db=6, width_hz=300, offset_hz=25.0)
    got = heard("dsc", iq, 20_000.0, 2187.5e3)
    assert [one.fields["symbols"] for one in got] == [[*call, 127]]


def test_dsc_on_two_frequencies_at_a_time():
    """2187.5 and 2189.5 kHz (RR Appendices 15 and 17) cut as one emission."""
    rate_hz = 20_000.0
    calls = [
        ([112, 23, 20, 1, 23, 40, 107, 15, 1, 20, 6, 34, 12, 30, 100], 127),
        ([120, 23, 20, 1, 23, 40, 100, 24, 31, 9, 99, 90, 100, 126, 90, 0, 72, 126, 126, 126], 117),
    ]
    both = np.zeros(int(9 * rate_hz), complex)
    for (call, end), hz, late_s in zip(calls, (-1000.0, 1000.0), (0.0, 1.3), strict=True):
        wave = tx.keyed(tx.dsc_bits(call, end, 20), rate_hz, 100, 170, high=0)
        wave = wave * np.exp(2j * np.pi * (hz + 20.0) / rate_hz * np.arange(len(wave)))
        both[int(late_s * rate_hz) :][: len(wave)] += wave
    iq = tx.received(both, rate_hz, snr_db=12, width_hz=300)
    got = heard("dsc", iq, rate_hz, 2188.5e3)
    assert [one.fields["symbols"] for one in got] == [[*call, end] for call, end in calls]
    assert [round(one.frame.frequency_hz / 50) * 0.05 for one in got] == pytest.approx([2187.5, 2189.5])


@pytest.mark.parametrize("high", [1, 0])
def test_navtex_in_either_sense(high):
    text = "BUOY TG28 UNLIT\r\nPOSITION 54-45.0N 007-47.8E\r\nKEEP CLEAR: 0.5 MILES"
    wave = tx.keyed(
        tx.sitor_bits(f"ZCZC EA23\r\n{text}\r\nNNNN\r\n\n"), 1300.0, 100, 170, high=high, ppm=60.0
    )
    iq = tx.received(wave, 1300.0, snr_db=6, width_hz=300, offset_hz=-22.0, quiet_s=0.5)
    (got,) = heard("navtex", iq, 1300.0, 518e3, snr_db=6, width_hz=300)
    assert (got.fields["station"], got.fields["subject_indicator"], got.fields["serial"]) == ("E", "A", "23")
    assert got.fields["text"].split() == text.split()
    assert got.fields.get("shift_inverted", False) is (high == 0)


@pytest.mark.parametrize("ppm", [-400.0, 400.0])
def test_navtex_of_a_clock_that_passes_the_edges_of_blocks(ppm):
    """M.540 allows far less; each block of a second then ends within another bit."""
    text = "\r\n".join(["BUOY TG28 UNLIT POSITION 54-45.0N 007-47.8E KEEP CLEAR"] * 4)
    wave = tx.keyed(tx.sitor_bits(f"ZCZC EA23\r\n{text}\r\nNNNN\r\n\n"), 1300.0, 100, 170, ppm=ppm)
    iq = tx.received(wave, 1300.0, snr_db=12, width_hz=300, quiet_s=0.5)
    (got,) = heard("navtex", iq, 1300.0, 518e3, snr_db=12, width_hz=300)
    assert got.fields["text"].split() == text.split()


@pytest.mark.parametrize(("apart_s", "spread_hz"), [(1e-3, 0.5), (2e-3, 1.0)])
def test_navtex_by_two_paths_is_one_message_with_nothing_shifted(apart_s, spread_hz):
    text = "\r\n".join(["BUOY TG28 UNLIT POSITION 54-45.0N 007-47.8E KEEP CLEAR"] * 4)
    wave = tx.keyed(tx.sitor_bits(f"ZCZC EA23\r\n{text}\r\nNNNN\r\n\n"), 1300.0, 100, 170)
    wrong = characters = 0
    for seed in range(8):
        faded = tx.two_paths(wave, 1300.0, apart_s=apart_s, spread_hz=spread_hz, seed=seed)
        iq = tx.received(faded, 1300.0, snr_db=18, width_hz=300, quiet_s=0.5, seed=seed)
        (got,) = heard("navtex", iq, 1300.0, 518e3, snr_db=18, width_hz=300)
        said = " ".join(got.fields["text"].split())
        want = " ".join(text.split())
        assert len(said) == len(want)
        wrong += sum(a not in (b, "*") for a, b in zip(said, want, strict=True))
        characters += len(want)
    assert wrong <= 0.002 * characters


@pytest.mark.parametrize(("pre_key", "depth"), [(4, 0.5), (16, 0.95)])
def test_acars(pre_key, depth):
    block = tx.acars_block("2", "G-ABCD", "H1", "3", "M03ALH2523POSN 5230.1 E00822.4, KEEP 350")
    wave = tx.acars(block, 24_000.0, depth=depth, pre_key=pre_key, ppm=100.0)
    iq = tx.received(wave, 24_000.0, snr_db=17, width_hz=6000, offset_hz=800.0)
    (got,) = heard("acars", iq, 24_000.0, 131.55e6)
    assert (got.fields["registration"], got.fields["label"]) == ("G-ABCD", "H1")
    assert got.fields["text"] == "POSN 5230.1 E00822.4, KEEP 350"


def test_vdl2_with_two_frames_in_a_burst():
    frames = [
        tx.avlc((1, 0x4CA123), (4, 0x10A0B1), 0x01),
        tx.avlc((1, 0x4CA124), (4, 0x10A0B1), 0x03, range(200)),
    ]
    wave = tx.vdl2(frames, 84_000.0, ppm=-40.0)
    iq = tx.received(wave, 84_000.0, snr_db=15, width_hz=16_800, offset_hz=500.0)
    got = heard("vdl2", iq, 84_000.0, 136.975e6)
    assert [one.frame.bits.hex() for one in got] == [bytes(frame).hex().upper() for frame in frames]


@pytest.mark.parametrize(
    ("speed", "unevenness", "seed"), [(8, 0.08, 2), (12, 0.1, 5), (20, 0.0, 1), (40, 0.0, 1)]
)
def test_morse_of_one_station_is_one_message(speed, unevenness, seed):
    text = "VVV VVV DE DL0XX/B JO31 = PWR 5W ANT GP = QSY 20"
    wave = tx.morse(text, 2500.0, speed, unevenness=unevenness, seed=seed)
    iq = tx.received(wave, 2500.0, snr_db=12, width_hz=150, offset_hz=17.0, quiet_s=1.0)
    got = heard("morse", iq, 2500.0, 7.03e6)
    assert [one.fields["text"] for one in got] == [text]


@pytest.mark.parametrize("self_test", [False, True])
def test_beacon_of_the_coding_guide(self_test):
    message = tx.bits_of(0x90127B92922BC022FF103504422535, 120)  # C/S coding guide by way of the sheet, 8.5
    wave = tx.beacon(message, 16_500.0, self_test=self_test, radians=1.0, ppm=80.0)
    iq = tx.received(wave, 16_500.0, snr_db=5, width_hz=3000, offset_hz=-2500.0)
    (got,) = heard("beacon406", iq, 16_500.0, 406.04e6)
    assert got.frame.bits.hex() == "90127B92922BC022FF103504422535"
    assert ("distress" in got.flags) is not self_test


@pytest.mark.parametrize(
    ("sent", "tone"),
    [
        ({"ctcss_hz": 62.5}, {"ctcss_hz": 62.5}),
        ({"ctcss_hz": 64.7}, {"ctcss_hz": 64.7}),
        ({"ctcss_hz": 103.5, "deviation_hz": 2500.0}, {"ctcss_hz": 103.5}),
        ({"dcs": "023"}, {"dcs": "023"}),
        ({"dcs": "026", "inverted": True}, {"dcs": "464"}),  # the same bits on the air (sheet, 6.2)
    ],
)
def test_squelch_tones(sent, tone):
    iq = tx.received(tx.fm_voice(2.5, 48_000.0, **sent), 48_000.0, snr_db=16, width_hz=16_000, quiet_s=0.5)
    demodulator = get_mode("fm").demodulator()
    overs = [
        *demodulator.feed(Samples(iq, 48_000.0, 155e6, 0, 0, -36 - 10 * np.log10(16_000))),
        *demodulator.close(),
    ]
    assert len(overs) == 1
    assert overs[0].tone is not None
    assert tone.items() <= overs[0].tone.items()


@pytest.mark.parametrize("rate_hz", [48_000.0, 24_000.0])
@pytest.mark.parametrize(("first", "sense"), [(0, 1.0), (1, -1.0)])
def test_ais_from_a_discriminator(rate_hz, first, sense):
    """The sound of an unfiltered FM receiver: of any scale and sense, with the carrier's error as its middle."""
    fields = [(5, 6), (0, 2), (244_000_123, 30), (0, 2), (9_074_729, 30), (0, 354)]  # type 5, two slots
    message = [bit for value, count in fields for bit in tx.bits_of(value, count)]
    wave = tx.ais(message, 4 * rate_hz, first=first, ppm=30.0)
    iq = tx.received(wave, 4 * rate_hz, snr_db=20, width_hz=9600, offset_hz=-400.0)
    hz = np.convolve(np.angle(iq[1:] * iq[:-1].conj()), np.hanning(18)[1:-1], "same")  # some 10 kHz wide
    sound = (0.05 * sense * hz[::4]).astype(np.float32)
    demodulator = get_mode("ais").demodulator()
    frames = [*demodulator.feed(Samples(sound, rate_hz, 0.0, 0, 0)), *demodulator.close()]
    assert [frame.bits.hex() for frame in frames] == [tx.hex_of(message)]
    begins_s = 0.1 + (8 + 24 + 8) / 9600  # quiet, ramp, training, flag
    assert frames[0].time_ns / 1e9 == pytest.approx(begins_s, abs=1e-4)


@pytest.mark.parametrize(("edge_s", "overs"), [(0.3, 1), (0.004, 2)])
def test_fm_voice_through_a_fade_is_one_over_and_two_keyed_ones_are_two(edge_s, overs):
    """A second of silence: a path fades by degrees, a key goes up at once (TIA-603: within 10 ms, from memory)."""
    rate_hz = 25_000.0
    wave = tx.fm_voice(7.0, rate_hz, ctcss_hz=123.0, seed=3)
    t = np.arange(len(wave)) / rate_hz
    wave = wave * 10 ** (-3 * np.clip(np.minimum(t - 3.0, 4.0 - t) / edge_s + 0.5, 0, 1))
    iq = tx.received(wave, rate_hz, snr_db=18, width_hz=16e3, quiet_s=0.5)
    demodulator = get_mode("fm").demodulator()
    got = [*demodulator.feed(Samples(iq, rate_hz, 145.5e6, 0, 0)), *demodulator.close()]
    assert len(got) == overs


@pytest.mark.parametrize("missed_s", [4.0, 9.5, 14.0])
def test_navtex_message_under_way(missed_s):
    """A recording that begins in the middle of a message, and ends in the middle of the next but one."""
    text = (
        "GALE WARNING SEA AREA FORTIES\r\nNORTHEASTERLY 9 SOON\r\nWRECK IN 54-45.0N 007-47.8E\r\nKEEP CLEAR"
    )
    message = tx.keyed(tx.sitor_bits(f"ZCZC EB23\r\n{text}\r\nNNNN\r\n\n"), 1300.0, 100, 170)
    after = tx.keyed(tx.sitor_bits("ZCZC EA07\r\nBUOY UNLIT\r\nNNNN\r\n\n"), 1300.0, 100, 170)
    wave = np.concatenate([message[int(missed_s * 1300) :], after, message[: 12 * 1300]])
    iq = tx.received(wave, 1300.0, snr_db=8, width_hz=300, quiet_s=0.01)
    got = heard("navtex", iq, 1300.0, 518e3, snr_db=8, width_hz=300)
    first, second, third = sorted(got, key=lambda one: one.frame.time_ns)
    assert (first.fields["beginning_missed"], first.fields["complete"]) == (True, False)
    assert (first.identity, first.check) == (None, "corrected")
    told, whole = (" ".join(some.split()) for some in (first.fields["text"], text))
    assert whole.endswith(told.removeprefix("23 ").removeprefix("3 "))
    # a character takes 140 ms, and 20 pairs of phasing and ZCZC before the text 3.4 s
    assert len(told) >= len(whole) - max(missed_s - 3.4, 0) / 0.14 - 4
    assert (second.fields["serial"], second.fields["text"], second.check) == ("07", "BUOY UNLIT", "pass")
    assert (third.fields["serial"], third.fields["complete"]) == ("23", False)
