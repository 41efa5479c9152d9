"""The command tree. Every command imports what it needs when it runs, so that help is instant."""

from __future__ import annotations

import codecs
import contextlib
import io
import os
import signal
import sys
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand

from earwitness.core.errors import EarwitnessError, StorageError
from earwitness.core.text import inert

EPILOG = """Cautions: the law on receiving, recording and above all disclosing radio traffic differs by place;
ask before you share. Not for navigation or safety of life. Mind power lines and lightning when you put up
an antenna. Earwitness only receives, and never decrypts."""


class Command(TyperCommand):
    """A command whose help names its arguments as the text does, without their types."""

    def collect_usage_pieces(self, ctx: Any) -> list[str]:
        """Give the parts of the usage line."""
        return ["[OPTIONS]", *(self._named(param) for param in self._arguments(ctx))]

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write what arguments and options mean."""
        told = [(self._named(param), param.help) for param in self._arguments(ctx)]
        if told:
            with formatter.section("Arguments"):
                formatter.write_dl(told)
        options = [
            param.get_help_record(ctx) for param in self.get_params(ctx) if param not in self._arguments(ctx)
        ]
        with formatter.section("Options"):
            formatter.write_dl([option for option in options if option])

    def _arguments(self, ctx: Any) -> list[Any]:
        return [param for param in self.get_params(ctx) if param.param_type_name == "argument"]

    @staticmethod
    def _named(param: Any) -> str:
        return str(param.metavar or param.name)


app = typer.Typer(
    name="earwitness",
    help="A radio monitoring station: finds, measures, identifies, decodes and logs what is on the air, "
    "each claim with its evidence. Start with `earwitness demo`.",
    epilog=EPILOG,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def _version(asked: bool) -> None:
    if asked:
        from earwitness import __version__

        print(f"earwitness {__version__}")
        raise typer.Exit


@app.callback()
def main_options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
) -> None:
    """Take what stands before the command."""


Station = Annotated[
    Path | None,
    typer.Option(
        "--station",
        metavar="DIR",
        help="Station folder, with the log; where not given, one among your user data.",
    ),
]
NoStation = Annotated[
    Path | None,
    typer.Option("--station", metavar="DIR", help="Taken as by every command; nothing of it is needed here."),
]
MadeStation = Annotated[
    Path | None,
    typer.Option(
        "--station",
        metavar="DIR",
        help="Station folder for settings, log and evidence, made if missing; where not given, one among your user data.",
    ),
]
DemoStation = Annotated[
    Path | None,
    typer.Option(
        "--station",
        metavar="DIR",
        help="Station folder, made if missing; where not given, a new temporary one.",
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Give one JSON document on standard output.")]
Since = Annotated[str | None, typer.Option(metavar="RFC3339", help="Only from this time on.")]
Until = Annotated[str | None, typer.Option(metavar="RFC3339", help="Only before this time.")]
OneMode = Annotated[str | None, typer.Option(metavar="MODE", help="Only this mode.")]
Frequency = Annotated[
    str | None, typer.Option(metavar="HZ|LOW-HIGH", help="Only near a frequency, or in a range.")
]
Whose = Annotated[str | None, typer.Option(metavar="ID|KEY", help="Only of this identity.")]
Words = Annotated[str | None, typer.Option(metavar="WORDS", help="Only with these words.")]
Output = Annotated[Path | None, typer.Option("--output", "-o", metavar="FILE", help="Where to write.")]


@app.command(cls=Command, short_help="Find, measure, identify, decode and log what recordings hold.")
def survey(
    sources: Annotated[
        list[str], typer.Argument(metavar="SOURCE...", help="Recordings to survey, into one station.")
    ],
    station: MadeStation = None,
    json: Json = False,
    rate: Annotated[float | None, typer.Option(metavar="HZ", help="Sample rate of a raw file.")] = None,
    centre: Annotated[float | None, typer.Option(metavar="HZ", help="Frequency at the centre.")] = None,
    sample_type: Annotated[
        str | None, typer.Option(metavar="TYPE", help="Sample type of a raw file: cu8, cs8, cs16, cf32, ...")
    ] = None,
    start: Annotated[str | None, typer.Option(metavar="RFC3339", help="When the recording began.")] = None,
    ppm: Annotated[
        str | None,
        typer.Option(
            metavar="PPM|auto",
            help="The receiver's frequency error, to be taken out: positive when it shows signals too high; auto: from known channels.",
        ),
    ] = None,
    again: Annotated[
        bool,
        typer.Option(
            "--again",
            help="Survey a recording again that is in the log already, and say what came out otherwise.",
        ),
    ] = False,
    report: Annotated[
        bool, typer.Option("--report", help="Then write the report: report.html in the station folder.")
    ] = False,
) -> None:
    """Find, measure, identify, decode and log everything in recordings.

    A SOURCE is a SigMF recording (.sigmf-meta, .sigmf-data, .sigmf, or a .sigmf-collection of them), a
    two-channel I/Q .wav or .flac, a one-channel .wav or .flac of demodulated audio, or a raw file with --rate,
    --centre and --sample-type.

    \b
    Examples:
      earwitness survey evening.sigmf-meta --station ~/hilltop --report
      earwitness survey band.cu8 --rate 2.4e6 --centre 162e6 --sample-type cu8
      earwitness survey *.sigmf-meta --station ~/hilltop --json

    A recording that is in the log already is skipped, one that was stopped is taken up anew; nothing is logged
    twice. Ctrl-C stops cleanly: what was found so far is in the log.
    """
    from earwitness.cli.survey import run_survey

    run_survey(
        sources, station, json=json, rate_hz=rate, centre_hz=centre, sample_type=sample_type, start=start, ppm=ppm,
        again=again, report=report,
    )  # fmt: skip


@app.command(cls=Command)
def query(
    what: Annotated[
        str,
        typer.Argument(metavar="WHAT", help="emissions, messages, identities, overs, pictures or occupancy"),
    ],
    station: Station = None,
    json: Json = False,
    mode: OneMode = None,
    since: Since = None,
    until: Until = None,
    frequency: Frequency = None,
    identity: Whose = None,
    text: Words = None,
    limit: Annotated[
        int,
        typer.Option(metavar="N", min=1, max=10**9, help="At most so many rows, the newest."),
    ] = 50,
) -> None:
    """Look things up in the log.

    \b
    Examples:
      earwitness query emissions
      earwitness query messages --mode ais --since 2026-11-25T08:00:00Z
      earwitness query messages --identity 299001002 --text pilot
      earwitness query emissions --frequency 118e6-137e6 --json

    Each row shows an id; `earwitness evidence ID` says why it is there.
    """
    from earwitness.cli.query import run_query

    run_query(
        what, station, json=json, limit=limit, mode=mode, since=since, until=until, frequency=frequency,
        identity=identity, text=text,
    )  # fmt: skip


@app.command(cls=Command, short_help="Show why an entry is in the log: figures, check, pictures.")
def evidence(
    entry: Annotated[str, typer.Argument(metavar="ID", help="Id of an emission, message, over or identity.")],
    station: Station = None,
    json: Json = False,
    output: Annotated[
        Path | None,
        typer.Option("--output", "-o", metavar="DIR", help="Copy snippet, audio and pictures there."),
    ] = None,
) -> None:
    """Show why an entry is in the log: figures with uncertainty, the check it passed, pictures, audio, I/Q.

    \b
    Example:
      earwitness evidence e-7f21c09a44be18d3506f --output ./case

    Ids stand in what `earwitness query` and `earwitness export` give, and in the report.
    """
    from earwitness.cli.evidence import run_evidence

    run_evidence(entry, station, json=json, output=output)


@app.command(cls=Command, short_help="Show who an identity is and what ties it to others; label it.")
def identity(
    entry: Annotated[str, typer.Argument(metavar="ID|KEY", help="Id or key of an identity.")],
    station: Station = None,
    json: Json = False,
    label: Annotated[str | None, typer.Option(metavar="TEXT", help="Put your label on it.")] = None,
    unlabel: Annotated[str | None, typer.Option(metavar="TEXT", help="Take your label off.")] = None,
    part: Annotated[
        str | None,
        typer.Option(metavar="WHOM", help="Undo what rules tied to this id or key; it stays undone."),
    ] = None,
    join: Annotated[str | None, typer.Option(metavar="WHOM", help="Tie again what you had parted.")] = None,
) -> None:
    """Show who an identity is and by which rules it is tied to others; label it, part it, join it.

    \b
    Examples:
      earwitness identity 299001002
      earwitness identity 299001002 --label "the pilot boat"
      earwitness identity B71A01 --part QZ-MAB
    """
    from earwitness.cli.identity import run_identity

    run_identity(entry, station, json=json, label=label, unlabel=unlabel, part=part, join=join)


@app.command(cls=Command, short_help="Write the log out for other programs.")
def export(
    what: Annotated[
        str, typer.Argument(metavar="WHAT", help="emissions, messages, identities, overs or occupancy")
    ],
    station: Station = None,
    format: Annotated[
        str, typer.Option(metavar="FORMAT", help="jsonl, csv, parquet, geojson, kml, sigmf or iec61162")
    ] = "jsonl",
    output: Output = None,
    json: Annotated[
        bool, typer.Option("--json", help="With --output: tell as JSON what was written.")
    ] = False,
    mode: OneMode = None,
    since: Since = None,
    until: Until = None,
    frequency: Frequency = None,
    identity: Whose = None,
    text: Words = None,
) -> None:
    """Write the log out for other programs, all of it or a choice; to standard output without --output.

    \b
    Examples:
      earwitness export messages > messages.jsonl
      earwitness export identities --format kml --output ships.kml
      earwitness export messages --format csv --mode ais -o ships.csv
      earwitness export messages --since 2026-11-25T00:00:00Z --text gale
      earwitness export messages --format iec61162
    """
    from earwitness.cli.export import run_export

    run_export(
        what, station, form=format, output=output, json=json, mode=mode, since=since, until=until,
        frequency=frequency, identity=identity, text=text,
    )  # fmt: skip


@app.command(cls=Command)
def report(station: Station = None, output: Output = None, json: Json = False) -> None:
    """Write the report: one HTML page that needs no network.

    \b
    Example:
      earwitness report --output evening.html
    """
    from earwitness.cli.report import run_report

    run_report(station, output=output, json=json)


@app.command(cls=Command, short_help="Say when satellites pass over the station.")
def passes(
    station: MadeStation = None,
    json: Json = False,
    hours: Annotated[float, typer.Option(metavar="N", help="For so many hours.")] = 24.0,
    start: Annotated[
        str | None, typer.Option("--from", metavar="RFC3339", help="From this time on; now if not given.")
    ] = None,
    satellite: Annotated[
        str | None,
        typer.Option(metavar="NAME|NUMBER", help="Only of this one of the satellites in station.toml."),
    ] = None,
    elements: Annotated[
        list[Path] | None,
        typer.Option(
            metavar="FILE", help="Take in elements first: two-line sets, or OMM as JSON, CSV or XML."
        ),
    ] = None,
    schedule: Annotated[
        bool,
        typer.Option("--schedule", help="Write who records what into the station folder: schedule.jsonl."),
    ] = False,
    ical: Annotated[Path | None, typer.Option(metavar="FILE.ics", help="Write a calendar.")] = None,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE.png", help="Draw the sky and the Doppler curves.")
    ] = None,
) -> None:
    """Say when satellites pass over the station: rise (AOS), closest approach (TCA), set (LOS), Doppler, receiver.

    The satellites, their frequencies and the station's place stand in station.toml. Times need elements that are
    a few days old at most; give them as a file, they are kept in the station folder.

    \b
    Examples:
      earwitness passes --elements weather.txt
      earwitness passes --hours 48 --ical passes.ics --picture sky.png
      earwitness passes --schedule --json
    """
    from earwitness.cli.passes import run_passes

    run_passes(
        station, json=json, hours=hours, start=start, satellite=satellite, elements=elements or [],
        schedule=schedule, ical=ical, picture=picture,
    )  # fmt: skip


@app.command(cls=Command, short_help="Draw coast lines over a weather satellite's picture.")
def overlay(
    entry: Annotated[
        str, typer.Argument(metavar="ID", help="Id of a picture that a weather satellite sent.")
    ],
    station: Station = None,
    json: Json = False,
    satellite: Annotated[
        str | None, typer.Option(metavar="NAME|NUMBER", help="Who sent it, where station.toml does not tell.")
    ] = None,
    output: Output = None,
    clock_error: Annotated[
        float, typer.Option(metavar="S", help="How far the recording's clock may be off, in seconds.")
    ] = 1.0,
) -> None:
    """Draw coast lines, a graticule and the station over a satellite's picture, and say how far off they may be.

    Needs elements of the satellite from about the day of the picture: `earwitness passes --elements FILE` keeps them.

    \b
    Example:
      earwitness overlay p-7f21c09a44be18d3506f --output coast.png
    """
    from earwitness.cli.overlay import run_overlay

    run_overlay(entry, station, json=json, satellite=satellite, output=output, clock_error=clock_error)


@app.command(cls=Command, short_help="Synthesise a recording with its truth from a description.")
def scene(
    file: Annotated[Path, typer.Argument(metavar="FILE.toml", help="Description of the scene.")],
    output: Annotated[Path, typer.Option("--output", "-o", metavar="DIR", help="Folder for the recording.")],
    station: NoStation = None,
    json: Json = False,
) -> None:
    """Synthesise a recording with its truth, from a readable description.

    \b
    Example:
      earwitness scene harbour.toml --output ./made

    \b
    with this in harbour.toml:
      [scene]
      name = "harbour"
      centre_hz = 162e6
      rate_hz = 240_000
      duration_s = 5
      [receiver]
      ppm = 2
      [[emission]]
      mode = "ais"  # what `earwitness modes` lists, or carrier, noise, fsk2, ...
      frequency_hz = 161.975e6
      snr_db = 20
      start_s = 1
      examples = true

    What is sent and when is written beside the recording as its truth.
    """
    from earwitness.cli.scene import run_scene

    run_scene(file, output, json=json)


@app.command(cls=Command, short_help="Judge the stored evidence again with this version.")
def recheck(station: Station = None, json: Json = False) -> None:
    """Judge the stored evidence again with this version, and say which claims came out otherwise.

    \b
    Example:
      earwitness recheck --station ~/hilltop
    """
    from earwitness.cli.recheck import run_recheck

    run_recheck(station, json=json)


@app.command(cls=Command)
def modes(station: NoStation = None, json: Json = False) -> None:
    """List the modes: what is decoded, by which publications.

    \b
    Examples:
      earwitness modes
      earwitness modes --json
    """
    from earwitness.cli.modes import run_modes

    run_modes(json=json)


@app.command(cls=Command, short_help="Show the whole job on invented scenes.")
def demo(station: DemoStation = None, json: Json = False) -> None:
    """Show the whole job: invented scenes are made, surveyed and reported, in some minutes.

    Without --station everything goes to a new temporary folder, whose place is told at the end.

    \b
    Example:
      earwitness demo --station ./demo-station
    """
    from earwitness.cli.demo import run_demo

    run_demo(station, json=json)


@app.command(cls=Command, hidden=True)
def prepare() -> None:
    """Compile and cache all kernels, so that no first run stalls."""
    from earwitness.cli.prepare import run_prepare

    run_prepare()


_PLAIN = {
    "—": "-", "–": "-", "−": "-", "…": "...", "±": "+-", "°": "deg", "µ": "u", "→": "->", "·": ".", "′": "'",
    "\u202f": " ", "\xa0": " ",
}  # fmt: skip


def _stand_in(error: UnicodeError) -> tuple[str, int]:
    """Write what an output's encoding lacks in the nearest plain signs."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    missing = error.object[error.start : error.end]
    return "".join(_PLAIN.get(char, "?") for char in missing), error.end


def _settle_output() -> None:
    """Make both outputs take any text, whatever the locale, also where one is closed."""
    codecs.register_error("earwitness", _stand_in)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 - lives as long as we
        elif isinstance(stream, io.TextIOWrapper) and "utf" not in stream.encoding.lower():
            stream.reconfigure(errors="earwitness")


_STOPPED = 130  # what the parser makes of Ctrl-C


def _hush(stream: Any) -> None:
    """Drop what an output that takes nothing more still holds: it would complain again at the very end."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def say(text: str) -> None:
    """Print one plain sentence on standard error."""
    print(f"earwitness: {inert(' '.join(text.split()), limit=1000)}", file=sys.stderr)


def run(arguments: list[str] | None = None) -> None:
    """Run the command line; exit 0 done, 1 failed while working, 2 wrong use or unreadable input."""
    _settle_output()
    command: Any = typer.main.get_command(app)
    given = sys.argv[1:] if arguments is None else arguments
    with contextlib.suppress(ValueError):  # not the main thread: signals go elsewhere
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # a polite kill tidies up like Ctrl-C
    usage_error: type[Exception] = typer.BadParameter.__mro__[2]  # the root of the parser's own errors
    try:
        code = command.main(args=given or ["--help"], prog_name="earwitness", standalone_mode=False)
        sys.stdout.flush()
    except usage_error as error:
        context = getattr(error, "ctx", None)
        told = str(error.format_message()).rstrip(".?")  # type: ignore[attr-defined]
        say(f"{told}; see `{context.command_path if context else 'earwitness'} --help`.")
        sys.exit(2)
    except StorageError as error:
        say(str(error))
        sys.exit(1)
    except EarwitnessError as error:
        say(str(error))
        sys.exit(2)
    except (typer.Abort, KeyboardInterrupt):
        code = _STOPPED
    except BrokenPipeError:
        _hush(sys.stdout)
        sys.exit(1)
    except OSError as error:  # reading and writing files gives errors of ours: what is left is the output
        _hush(sys.stdout)
        say(f"failed while writing: {error.strerror or error}.")
        sys.exit(1)
    if code == _STOPPED:
        say("stopped.")
    sys.exit(1 if code == _STOPPED else code if isinstance(code, int) else 0)
