"""The report page: hostile rows stay text, nothing and very much are borne, people can use it."""

import copy
import re
import shutil
import subprocess
from collections import Counter
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.view.data import Media, Overview, Plate, Recording, ReportData
from earwitness.view.pictures import constellation
from earwitness.view.report import render

START = 1_795_595_400_000_000_000
INJECTIONS = (
    "<script>document.title='owned'</script>",
    '"><img src=x onerror="document.title=\'owned\'">',
    "' onmouseover='document.title=1' x='",
    "javascript:document.title='owned'",
    "</style><script>document.title='owned'</script>",
    "</title></svg></details><iframe src=https://example.org></iframe>",
    "\x1b[31m\x00\u202eevil\ud800 &lt;b&gt; &#60;i&#62; {{7*7}} -->",
)
TAGS = {
    "html",
    "head",
    "meta",
    "title",
    "style",
    "body",
    "a",
    "header",
    "p",
    "span",
    "h1",
    "h2",
    "h3",
    "div",
    "aside",
    "dl",
    "dt",
    "dd",
    "nav",
    "ol",
    "ul",
    "li",
    "main",
    "section",
    "table",
    "caption",
    "thead",
    "tbody",
    "tr",
    "th",
    "td",
    "small",
    "code",
    "b",
    "strong",
    "figure",
    "figcaption",
    "svg",
    "g",
    "text",
    "line",
    "rect",
    "path",
    "circle",
    "image",
    "img",
    "audio",
    "details",
    "summary",
    "time",
    "blockquote",
    "footer",
    "script",
    "br",
}


class Page(HTMLParser):
    """Collects what a browser would see."""

    def __init__(self, page):
        super().__init__(convert_charrefs=True)
        self.tags, self.attrs, self.words = Counter(), [], []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags[tag] += 1
        self.attrs.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)


def emission(n, **facts):
    return {
        "id": f"e-{n:04d}",
        "start": "2026-11-25T08:30:01.000000Z",
        "stop": "2026-11-25T08:30:02.500000Z",
        "frequency_hz": 161.975e6 + n,
        "frequency_uncertainty_hz": 4.0,
        "occupied_bandwidth_hz": 9800.0,
        "level_dbfs": -40.0,
        "snr_db": 20.0,
        "class": "fsk2",
        "designator": "16K0F1D",
        "symbol_rate_hz": 9600.0,
        "deviation_hz": 2400.0,
        "mode": "ais",
        "confidence": 0.9,
        "reasons": ["constant envelope"],
        "artefact": None,
        "label": "harbour",
        "evidence_id": None,
        "burst_count": 3,
        "duty": 0.1,
        **facts,
    }


def message(n, **facts):
    return {
        "id": f"m-{n}",
        "time": "2026-11-25T08:30:01.000000Z",
        "frequency_hz": 161.975e6,
        "mode": "ais",
        "payload_hex": "04ABCD",
        "payload_bits": 168,
        "check": "pass",
        "corrected_bits": 0,
        "snr_db": 12.0,
        "kind": "position report",
        "fields": {"latitude_deg": 54.0 + n % 50 / 100, "longitude_deg": 8.0, "text": "HELLO"},
        "identity": "i-1",
        "emission_id": "e-0001",
        "evidence_id": None,
        "flags": [],
        **facts,
    }


def identity(n, **facts):
    return {
        "id": f"i-{n}",
        "kind": "vessel",
        "key": f"21100000{n}",
        "names": [f"TERN {n}"],
        "first_seen": "2026-11-25T08:30:01.000000Z",
        "last_seen": "2026-11-25T08:30:02.000000Z",
        "message_count": 3,
        "latitude_deg": 54.0,
        "longitude_deg": 8.0 + n / 50,
        "labels": ["seen before"],
        "flags": [],
        **facts,
    }


def full():
    rng = np.random.default_rng(1)
    view = Overview(
        rng.normal(-90, 2, (40, 30)).astype(np.float32), START, START + 10**10, 161.85e6, 162.15e6
    )
    return ReportData(
        station={
            "name": "Tern Point",
            "place": "an invented bay",
            "latitude_deg": 54.1,
            "longitude_deg": 8.1,
        },
        recordings=[
            Recording(
                "r-1",
                "one",
                START,
                START + 10**10,
                162e6,
                3e5,
                [view],
                {"receiver": "stick"},
                {"ppm": 4},
                ["a gap"],
            )
        ],
        emissions=[
            emission(1),
            emission(2, artefact="mirror image"),
            emission(3, **{"class": "unknown", "mode": None}),
        ],
        occupancy=[
            {"id": "o-1", "frequency_hz": 161.975e6, "samples": 1000, "occupied": 0, "label": "harbour"}
        ],
        identities=[identity(1), identity(2, flags=["new"])],
        messages=[message(1), message(2, flags=["distress"], kind="distress")],
        overs=[
            {
                "id": "v-1",
                "start": "2026-11-25T08:30:01Z",
                "stop": "2026-11-25T08:30:03Z",
                "frequency_hz": 156.8e6,
                "class": "fm",
                "tone": {"ctcss_hz": 103.5},
                "audio_path": "evidence/aa/x-1.flac",
                "emission_id": "e-0001",
                "identity": None,
                "talkgroup": None,
                "encrypted": None,
            },
            {
                "id": "v-2",
                "start": None,
                "stop": None,
                "frequency_hz": None,
                "class": "fm",
                "tone": {"dcs": "023"},
            },
        ],
        pictures=[{"id": "p-1", "mode": "wefax", "start": "2026-11-25T08:30:01Z", "frequency_hz": 3.8e6}],
        media={
            "v-1": Media("audio/flac", b"fLaC", "evidence/aa/x-1.flac"),
            "v-2": Media("audio/flac", None, "evidence/b c.flac"),
            "p-1": Media("image/png", b"\x89PNG", "evidence/p.png"),
        },
        plates=[Plate("e-0001", "constellation", constellation(np.ones(64, np.complex64)))],
        methods={"centre": "power centroid"},
        versions={"Earwitness": "0"},
        made_ns=START,
    )


def check_safe(page):
    """Assert what must hold of every page, whatever was in the rows."""
    seen = Page(page)
    assert set(seen.tags) <= TAGS
    assert seen.tags["script"] == 1
    assert seen.tags["style"] == 1
    for tag, attrs in seen.attrs:
        for key, value in attrs.items():
            assert not key.startswith("on")
            assert key not in ("style", "srcdoc", "action", "formaction")
            if key == "href" and tag != "image":
                assert value.startswith(("#", "./"))
            elif key in ("src", "href"):
                assert value.startswith(("data:image/png;base64,", "data:audio/flac;base64,"))
    policy = next(
        attrs["content"] for tag, attrs in seen.attrs if attrs.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith(
        "default-src 'none'; img-src data:; media-src data:; base-uri 'none'; form-action 'none'; "
    )
    assert "unsafe" not in policy
    for char in "\x00\x1b\u202e":
        assert char not in page
    page.encode("utf-8")
    return seen


def poisoned(value, poison):
    """Put a poison into every text of a value, keys included."""
    if isinstance(value, str):
        return poison if not re.fullmatch(r"[a-z]-\d+", value) else value
    if isinstance(value, dict):
        return {(key if key in KEEP else key + poison): poisoned(item, poison) for key, item in value.items()}
    if isinstance(value, list):
        return [poisoned(item, poison) for item in value]
    return value


KEEP = {
    *emission(1),
    *message(1),
    *identity(1),
    "tone",
    "audio_path",
    "samples",
    "occupied",
    "name",
    "place",
    "dcs",
    "text",
}


@pytest.mark.parametrize("poison", INJECTIONS)
def test_hostile_text_stays_text(poison):
    data = full()
    changed = {
        key: poisoned(copy.deepcopy(list(getattr(data, key))), poison)
        for key in ("emissions", "occupancy", "identities", "messages", "overs", "pictures")
    }
    one = data.recordings[0]
    recording = Recording(
        poison,
        poison,
        START,
        START + 10**10,
        162e6,
        3e5,
        one.overviews,
        {poison: poison},
        {poison: [poison]},
        [poison],
    )
    page = render(
        ReportData(
            station={"name": poison, "place": poison, "latitude_deg": poison},
            recordings=[recording],
            plates=data.plates,
            media={"v-1": Media("audio/flac", None, poison), "p-1": Media("image/png", None, poison)},
            methods={poison: poison},
            cautions=[poison],
            versions={poison: poison},
            **changed,
        )
    )
    seen = check_safe(page)
    if poison.startswith("<script>"):
        assert any(poison in words for words in seen.words)  # shown, as text
    _browser_stays_clean(page)


def test_a_full_page_tells_all_and_can_be_used():
    page = render(full())
    seen = check_safe(page)
    words = re.sub(r"\s+", " ", "".join(seen.words))
    assert (
        "In 10 s at 162.000 MHz, 300 kHz wide, 2 emissions were found; 1 trace of the receiver itself was set aside."
        in words
    )
    assert "with 2 emissions and 1 trace of the receiver itself marked." in words
    assert "Look at this first: distress, " in words
    assert words.index("Worth a look first") < words.index("The air") < words.index("Cautions")
    assert (
        "0 of 1\ufffd000" in words or "0 of 1\u202f000, < 0.38 %" in words or "0 of 1 000, < 0.38 %" in words
    )
    assert "power centroid" in words
    for tag, attrs in seen.attrs:  # what accessibility asks of markup (WCAG 2.2: 1.1.1, 1.3.1, 2.4.1, 3.1.1)
        if tag == "img":
            assert attrs["alt"]
        if tag == "th":
            assert attrs.get("scope") in ("col", "row")
        if tag == "html":
            assert attrs["lang"] == "en"
    assert seen.tags["caption"] == seen.tags["table"]
    assert (
        seen.tags["main"]
        == seen.tags["header"]
        == seen.tags["nav"]
        == seen.tags["footer"]
        == seen.tags["h1"]
        == 1
    )
    ids = [attrs["id"] for _, attrs in seen.attrs if "id" in attrs]
    assert len(ids) == len(set(ids))
    places = {attrs["href"][1:] for _, attrs in seen.attrs if (attrs.get("href") or "").startswith("#")}
    assert places <= set(ids)


def test_who_is_in_need_stands_once():
    def at(second, **facts):
        return message(second, time=f"2026-11-25T08:30:0{second}.000000Z", mode="dsc", **facts)

    alert = at(1, kind="distress alert", flags=["distress"], fields={"nature": "sinking"}, identity="i-1")
    answer = {"distress_id": "211000001", "nature": "sinking"}
    told = [
        *(
            at(n, kind="status", flags=["emergency"], fields={"squawk": "7700"}, identity="i-3")
            for n in range(2, 9)
        ),
        alert,
        at(9, kind="distress acknowledgement", flags=["distress"], fields=answer, identity="i-2"),
    ]
    people = [
        identity(1, flags=["distress"]),
        identity(2, flags=["distress"]),
        identity(3, flags=["emergency"]),
    ]
    page = render(ReportData(messages=told, identities=people))
    check_safe(page)
    section = page[page.index('id="flagged"') :]
    section = section[: section.index("</section>")]
    assert section.count('class="need"') == 2
    assert section.index("TERN 1") < section.index(
        "TERN 3"
    )  # distress before emergency, however often it was told
    words = re.sub(r"<[^>]+>", "", section)
    assert "told 7 times, 08:30:02 to 08:30:08 UTC" in words
    assert "told 2 times, 08:30:01 to 08:30:09 UTC" in words
    assert "distress acknowledgement from TERN 2: sinking" in words


def test_controller_and_pilot_are_read_as_words():
    fields = {
        "elements": [{"element": "UM20", "text": "CLIMB TO AND MAINTAIN FL360"}], "text": "/QMRCAYA.AT1.QZ-MAB028A6528A686",
        "direction": "uplink", "reference": 4,
    }  # fmt: skip
    page = render(ReportData(messages=[message(1, mode="acars", fields=fields)]))
    words = re.sub(r"<[^>]+>", " ", page)
    assert "CLIMB TO AND MAINTAIN FL360" in words
    assert "to the aircraft" in words
    assert "028A6528A686" not in words


def test_one_transmission_is_one_picture():
    row = {
        "start": "2026-11-25T08:30:00.000000Z", "stop": "2026-11-25T08:31:00.000000Z", "mode": "wefax", "width": 9,
        "height": 9,
    }  # fmt: skip
    sure = {"begins": "start tone", "rendering": "monochrome"}
    rows = [
        {
            **row,
            "id": "p-1",
            "frequency_hz": 8.4577e6,
            "emission_id": "e-0002",
            "extra": {"begins": "found in the middle"},
        },
        {**row, "id": "p-2", "frequency_hz": 8.4571e6, "emission_id": "e-0001", "extra": sure},
        {
            **row,
            "id": "p-3",
            "frequency_hz": 8.4571e6,
            "emission_id": "e-0001",
            "extra": {"begins": "start tone"},
        },
        {**row, "id": "p-4", "frequency_hz": 9.1e6, "emission_id": "e-0003", "extra": sure},
    ]
    page = render(ReportData(pictures=rows, emissions=[emission(n) for n in (1, 2, 3)]))
    check_safe(page)
    assert page.count('class="from-air"') == 2
    assert "found in the middle" not in page


def test_places_in_messages_are_on_the_map():
    warning = {
        "positions": [
            {"latitude_deg": 54.2, "longitude_deg": 8.1},
            {"latitude_deg": 99.0, "longitude_deg": 8.1},
        ]
    }
    area = {"area": {"north_deg": 54.5, "west_deg": 7.5, "south_deg": 53.5, "east_deg": 8.5}}
    told = [
        message(1, fields=warning),
        message(2, fields=area),
        message(3, fields={"area": {"north_deg": "x"}}),
    ]
    page = render(ReportData(messages=told, identities=[identity(1)]))
    check_safe(page)
    assert page.count('class="area"') == 1
    assert "2 places that messages name" in page


def test_nothing_found_is_told():
    page = render(ReportData())
    check_safe(page)
    assert "no emission was found" in page
    page = render(ReportData(recordings=full().recordings))
    assert "None stood out of the noise" in page


def test_modes_named_add_up_to_all_messages():
    messages = [
        message(n, mode=f"mode{k}") for n, k in enumerate([0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 7, 8])
    ]
    words = "".join(check_safe(render(ReportData(messages=messages))).words)
    assert "15 messages passed their check: " in words
    assert "(2) and others (3)" in words


def test_a_mode_with_a_comma_in_its_name_stays_one():
    words = "".join(check_safe(render(ReportData(messages=[message(1, mode="ais")]))).words)
    assert "1 message passed its check: AIS (automatic identification system of ships: 1)" in words


def test_who_gave_no_name_goes_by_the_key_once():
    page = render(ReportData(identities=[identity(1, key="QX5BUO", names=[])]))
    (head,) = [cell for cell in re.findall(r"<th[^>]*>(.*?)</th>", page) if "QX5BUO" in cell]
    assert head == "QX5BUO"


def test_very_much_is_cut_and_said():
    many = (
        message(
            n,
            identity=f"i-{n % 900}",
            mode=f"mode{n % 3}",
            flags=["safety"] if n % 7 == 0 else [],
            emission_id=f"e-{n % 3000:04d}",
        )
        for n in range(100_000)
    )
    data = ReportData(
        recordings=full().recordings,
        emissions=[emission(n) for n in range(3000)],
        messages=many,
        identities=[identity(n) for n in range(900)],
        totals={"emissions": 50_000, "identities": 900, "overs": 0},
    )
    page = render(data)
    seen = check_safe(page)
    assert len(page) < 6_000_000
    words = "".join(seen.words)
    assert "100\u202f000 messages" in words
    assert "50\u202f000 emissions" in words
    assert "most talkative of 900" in words


VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(INJECTIONS),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_no_row_breaks_the_page(data):
    def rows(model):
        keys = st.sampled_from([*model, "variant", "flags", "extra"])
        return data.draw(
            st.lists(
                st.dictionaries(keys, VALUES, max_size=8).map(lambda wild: {**model, **wild}), max_size=3
            )
        )

    page = render(
        ReportData(
            recordings=full().recordings,
            emissions=rows(emission(1)),
            messages=rows(message(1)),
            identities=rows(identity(1)),
            overs=rows({"id": "v-1", "tone": None, "start": None}),
            occupancy=rows({"samples": 3, "occupied": 1, "inflation": 1.0}),
            pictures=rows({"id": "p-1", "mode": None}),
            totals=data.draw(st.dictionaries(st.sampled_from(["emissions"]), VALUES)),
        )
    )
    check_safe(page)


def _browser_stays_clean(page):
    """Load the page in a real browser where there is one: no injected script may touch the title."""
    browser = shutil.which("chromium") or shutil.which("google-chrome")
    if browser is None:
        return
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        file = Path(folder) / "page.html"
        file.write_text(page, "utf-8")
        command = [
            browser,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={folder}/profile",
            "--dump-dom",
            f"file://{file}",
        ]
        done = subprocess.run(command, capture_output=True, timeout=60, check=True)
    after = Page(done.stdout.decode("utf-8", "replace"))
    title = re.search(r"<title>(.*?)</title>", done.stdout.decode("utf-8", "replace"), re.S)
    assert title
    assert title[1] != "owned"
    assert after.tags["iframe"] == 0
    assert after.tags["script"] == 1
    assert 'th scope="col"><span role="button"' in done.stdout.decode(
        "utf-8", "replace"
    )  # our own script did run


@pytest.mark.skipif(
    not (shutil.which("chromium") and shutil.which("pdftotext")), reason="no browser, no paper"
)
def test_on_paper_heads_stand_on_every_page(tmp_path):
    """A table that goes over the page has its head again there, and nothing is left folded."""
    seen = [emission(n) for n in range(1, 60)]
    said = [message(n, fields={"text": f"word {n}"}) for n in range(1, 4)]
    (tmp_path / "page.html").write_text(render(ReportData(emissions=seen, messages=said)), "utf-8")
    subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path}/profile",
         f"--print-to-pdf={tmp_path}/page.pdf", f"file://{tmp_path}/page.html"],
        capture_output=True, timeout=60, check=True,
    )  # fmt: skip
    told = subprocess.run(
        ["pdftotext", "-layout", f"{tmp_path}/page.pdf", "-"], capture_output=True, check=True
    )
    sheets = told.stdout.decode().split("\f")
    rows = [sheet for sheet in sheets if "over noise" in sheet]
    assert len(rows) > 1
    assert all("How strong" in sheet for sheet in rows)
    assert all(any(f"word {n}" in sheet for sheet in sheets) for n in range(1, 4))


def test_times_have_a_date_where_the_log_spans_days():
    one, other = (
        emission(1),
        emission(2, start="2026-11-27T08:30:01.000000Z", stop="2026-11-27T08:30:02.000000Z"),
    )
    assert "2026-11-25 08:30:01.000" not in render(ReportData(emissions=[one]))
    page = render(ReportData(emissions=[one, other]))
    assert "2026-11-25 08:30:01.000" in page
    assert "2026-11-27 08:30:01.000" in page


def test_counts_leave_out_the_receivers_own_traces():
    # the log holds more than is read for the page: 30 000, of which 9 000 are traces of the receiver
    rows = [emission(1), emission(2, artefact="mirror image")]
    totals = {"emissions": 30_000, "artefacts": 9_000, "classes": {"unknown": 7_000, "am": 14_000}}
    page = " ".join(Page(render(ReportData(emissions=rows, totals=totals))).words)
    assert "21\u202f000 emissions" in page
    assert "9\u202f000 traces" in page
    assert "7\u202f000 emissions  stayed unknown" in page
    assert "amplitude modulation (14\u202f000)" in page
    assert "of the newest 1 " in page


def test_a_crowded_picture_is_no_row_of_stops_for_the_keyboard():
    view = Overview(np.full((4, 4), -80.0, np.float32), START, START + 10**10, 161.9e6, 162.1e6)
    recording = Recording("r-1", "one", START, START + 10**10, 162e6, 2e5, [view])

    def stops(amount):
        rows = [emission(n) for n in range(amount)]
        found = Page(render(ReportData(recordings=[recording], emissions=rows)))
        marks = [facts for name, facts in found.attrs if name == "a" and facts.get("class") == "mark"]
        assert len(marks) == amount
        return sum(facts.get("tabindex") != "-1" for facts in marks)

    assert stops(30) == 30
    assert stops(300) == 0


def test_no_link_leads_nowhere_where_not_all_is_listed():
    view = Overview(np.full((4, 4), -80.0, np.float32), START, START + 10**10, 161.9e6, 162.1e6)
    recording = Recording("r-1", "one", START, START + 10**10, 162e6, 2e5, [view])
    people = [
        {"id": f"i-{n}", "kind": "vessel", "key": f"{n:09d}", "message_count": n, "latitude_deg": 54.0, "longitude_deg": 8.0}
        for n in range(700)
    ]  # fmt: skip
    messages = [
        {"id": f"m-{n}", "time": "2026-11-25T08:30:01Z", "mode": "ais", "kind": "x", "check": "pass", "identity": f"i-{n}",
         "emission_id": f"e-{n:04d}", "flags": ["distress"] if n % 100 == 0 else [],
         "fields": {"area": {"north_deg": 55, "south_deg": 54, "west_deg": 7, "east_deg": 8},
                    "positions": [{"latitude_deg": 54 + n / 1000, "longitude_deg": 8}]}}
        for n in range(700)
    ]  # fmt: skip
    emissions = [emission(n, snr_db=float(n % 40)) for n in range(900)]
    ties = [
        {"id": f"j-{n}", "a": f"i-{n}", "b": f"i-{699 - n}", "relation": "perhaps", "rule": "r"}
        for n in range(50)
    ]
    data = ReportData(
        recordings=[recording], emissions=emissions, identities=people, messages=messages, relations=ties,
        plates=[Plate("e-0000", "spectrum", constellation(np.ones(9, np.complex64)))],
    )  # fmt: skip
    page = Page(render(data))
    ids = {facts["id"] for _, facts in page.attrs if "id" in facts}
    aims = [
        facts["href"][1:]
        for name, facts in page.attrs
        if name == "a" and facts.get("href", "").startswith("#")
    ]
    assert len(aims) > 1500
    assert [aim for aim in aims if aim not in ids] == []


def test_time_grows_with_the_emissions_and_not_with_their_square():
    def steps(amount):
        calls = 0

        class Row(dict):
            def __eq__(self, other):
                nonlocal calls
                calls += 1
                return dict.__eq__(self, other)

            __hash__ = None

        rows = [
            Row(emission(n, **{"class": "unknown" if n % 2 else "fm", "mode": None})) for n in range(amount)
        ]
        render(ReportData(emissions=rows))
        return calls

    assert steps(400) == 0


def test_each_picture_marks_its_own_recording():
    """Two receivers, or two audio files, may have listened at the same time to the same frequencies."""
    view = Overview(np.zeros((4, 4), np.float32), START, START + 10**10, 0.0, 24e3)
    stop = START + 10**10
    both = [Recording(f"r-{n}", f"file {n}", START, stop, 0.0, 48e3, [view], audio=True) for n in range(2)]
    heard = [emission(n, frequency_hz=1000.0 + n, recording=f"r-{n % 2}") for n in range(3)]
    words = " ".join(Page(render(ReportData(recordings=both, emissions=heard))).words)
    assert "with 2 emissions marked." in words
    assert "with 1 emission marked." in words
    assert "audio 24.0 kHz" in re.sub(r"\s+", " ", words)  # half the sampling rate
