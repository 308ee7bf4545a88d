"""The command line: arguments in, exit code out. Everything heavy is imported by the command that needs it."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from reportgen import __version__
from reportgen.cores import cores, one_thread
from reportgen.errors import PdfUnavailableError, ReportError
from reportgen.records.message import Message, message
from reportgen.terminal import printable

if TYPE_CHECKING:
    from reportgen.pipeline import Built, Settings

PROGRAM = "reportgen"
OK, WRONG, USAGE, REQUIREMENT_FAILED, NO_PDF = 0, 1, 2, 3, 4
"""Exit codes of the contract."""
STOPPED = 130
"""As a shell counts a program that was stopped from the keyboard: 128 + SIGINT."""
READER_GONE = 141
"""As a shell counts a program whose reader, such as ``head``, has gone: 128 + SIGPIPE."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code of the contract: 0 done, 1 inputs in error or different, 2 usage.

    ``verify`` returns 5 where something could not be verified (``archive.verify.Outcome``).
    """
    options = _parser().parse_args(arguments)
    one_thread()
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        code = command(options)
        sys.stdout.flush()
    except ReportError as error:
        from reportgen.render.terminal import error_lines

        first, *more = error_lines(error)
        for line in (f"{PROGRAM}: {first}", *more):
            _complain(line)
        return NO_PDF if isinstance(error, PdfUnavailableError) else WRONG
    except KeyboardInterrupt:
        _complain(message("cli.stopped", program=PROGRAM))
        return STOPPED
    except BrokenPipeError:
        # What is still in the buffer has no reader, and must not become an error as the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE
    return code


def _say(line: Message | str) -> None:
    """Print one line; what a file or a note brings along steers no terminal and begins no line of its own."""
    _print(line, sys.stdout)


def _complain(line: Message | str) -> None:
    _print(line, sys.stderr)


def _print(line: Message | str, stream: TextIO) -> None:
    from reportgen.render.catalogue import said

    print(printable(line if isinstance(line, str) else said(line), stream), file=stream)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="reportgen",
        description="From the run logs of a vibration test to a report that can be signed, archived and verified.",
        epilog="JOB is a folder that holds a job.toml, or that file itself.",
    )
    parser.add_argument("--version", action="version", version=f"reportgen {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    new = commands.add_parser("new", help="make a commented job folder to fill in")
    new.add_argument("folder", metavar="DIR", type=Path)
    new.add_argument(
        "--from",
        dest="logs",
        metavar="LOG",
        nargs="+",
        type=Path,
        help="draft the job from these logs (or folders of logs), each guess marked to be confirmed",
    )
    _add_laboratory(new)
    new.set_defaults(command=_new)

    check = commands.add_parser("check", help="read everything, compute nothing; print each finding with file and line")
    check.add_argument("job", metavar="JOB", type=Path)
    _add_laboratory(check)
    check.set_defaults(command=_check)

    build = commands.add_parser("build", help="the main job: results, plots, report, summary, archive")
    build.add_argument("jobs", metavar="JOB", nargs="+", type=Path)
    build.add_argument("--out", metavar="DIR", type=Path, help="where the report goes; default JOB/report")
    build.add_argument("--results-only", action="store_true", help="compute and write results.json alone")
    build.add_argument(
        "--draft", action="store_true", help="marked as a draft everywhere; may be overwritten, cannot be signed"
    )
    build.add_argument("--strict", action="store_true", help="exit 3 where a requirement is not met")
    build.add_argument("--supersedes", metavar="ARCHIVE", type=Path, help="make an amendment of that archive")
    build.add_argument("--branding", metavar="DIR", type=_folder, help="a laboratory's own templates")
    _add_laboratory(build)
    build.add_argument("--workers", metavar="N", type=_positive, help="processes for many jobs; default: the cores")
    build.add_argument("--scheduler", metavar="ADDRESS", help="run many jobs over the Dask cluster at ADDRESS")
    build.set_defaults(command=_build)

    quicklook = commands.add_parser("quicklook", help="one bare sweep log: table in the terminal, one page beside it")
    quicklook.add_argument("log", metavar="LOG", type=Path)
    quicklook.add_argument("--control", metavar="NAME", help="control channel; default: as the names in the log tell")
    quicklook.add_argument(
        "--as",
        dest="reading",
        choices=("decay", "sweep", "steady"),
        help="what the log is; default: as it shows itself",
    )
    quicklook.add_argument(
        "--column",
        dest="columns",
        metavar='"A1 = K2 / g"',
        type=_column,
        action="append",
        default=[],
        help="which column is a channel, and its unit, where the header does not say it; as often as needed",
    )
    quicklook.set_defaults(command=_quicklook)

    review = commands.add_parser("review", help="look at each resonance in the browser, decide, build the report")
    review.add_argument("job", metavar="JOB", type=Path, help="or one bare log, which is only shown")
    review.add_argument("--by", metavar="NAME", default="", help="who decides; the page asks where it is not said")
    review.add_argument("--port", metavar="N", type=_port, default=0, help="of this machine; default: any that is free")
    review.add_argument("--no-browser", action="store_true", help="print the address, open no browser")
    _add_laboratory(review)
    review.set_defaults(command=_review)

    inspect = commands.add_parser("inspect", help="what a log or record holds, with a column mapping ready to paste")
    inspect.add_argument("file", metavar="FILE", type=Path)
    inspect.set_defaults(command=_inspect)

    verify = commands.add_parser("verify", help="recompute every number of an archive or report.pdf and compare")
    verify.add_argument("file", metavar="FILE", type=Path)
    verify.add_argument("--trust", metavar="CERT", type=Path, action="append", help="believe signatures of CERT")
    verify.add_argument(
        "--branding", metavar="DIR", type=_folder, help="the laboratory's own templates by which it was printed"
    )
    verify.set_defaults(command=_verify)

    sign = commands.add_parser(
        "sign",
        help="sign a report.pdf with a key; it stays a valid archive file",
        epilog="The key comes from a certification authority that your customers trust. README says, under Signing, "
        "how to make one to try it out.",
    )
    sign.add_argument("pdf", metavar="PDF", type=Path)
    sign.add_argument(
        "--key",
        metavar="FILE",
        type=Path,
        required=True,
        help="PKCS #12 or PEM file with the private key and its certificate",
    )
    sign.add_argument(
        "--password-file", metavar="FILE", type=Path, help="file whose first line is the passphrase of the key"
    )
    sign.add_argument("--out", metavar="FILE", type=Path, help="default: PDF with '-signed' before its ending")
    sign.add_argument("--reason", metavar="TEXT", help="why it is signed, kept in the signature")
    sign.set_defaults(command=_sign)

    demo = commands.add_parser("demo", help="build the example jobs that come with the program")
    demo.add_argument("--out", metavar="DIR", type=Path, help="where copies of the example jobs are made and built")
    demo.set_defaults(command=_demo)
    return parser


def _add_laboratory(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--laboratory",
        metavar="FILE",
        type=Path,
        help="the laboratory file; default: laboratory.toml beside the job or above it",
    )


def _settings(options: argparse.Namespace) -> Settings:
    from reportgen.pipeline import Settings

    return Settings(
        results_only=options.results_only,
        draft=options.draft,
        supersedes=options.supersedes and options.supersedes.resolve(),
        branding=options.branding and options.branding.resolve(),
        laboratory=options.laboratory and options.laboratory.resolve(),
        cores=cores() if len(options.jobs) == 1 else 1,
    )


def _folder(text: str) -> Path:
    if not Path(text).is_dir():
        raise argparse.ArgumentTypeError(f"there is no folder {text!r}")
    return Path(text)


def _column(text: str) -> tuple[str, str]:
    key, stroke, column = (each.strip().strip("\"'") for each in text.partition("="))
    if not (key and stroke and column):
        raise argparse.ArgumentTypeError(f"{text!r} does not say which column is which channel, as in 'A1 = K2 / g'")
    return key, column


def _positive(text: str) -> int:
    if not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from 1 up")
    return int(text)


def _port(text: str) -> int:
    if not text.isdigit() or not 1 <= int(text) <= 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port: a whole number from 1 to 65535")
    return int(text)


def _new(options: argparse.Namespace) -> int:
    from reportgen.archive.new_job import new_job
    from reportgen.resources import data_dir

    folder: Path = options.folder
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        _complain(message("cli.new-not-empty", program=PROGRAM, folder=str(folder)))
        return USAGE
    if options.logs is not None:
        return _draft(options)
    new_job(data_dir("templates") / "job", folder)
    job_file, logs = str(folder / "job.toml"), str(folder / "logs")
    _say(message("cli.new-job", folder=str(folder), job_file=job_file, logs=logs))
    for command in ("check", "build"):
        _say(f"  {PROGRAM} {command} {folder}")
    return OK


def _draft(options: argparse.Namespace) -> int:
    from reportgen.archive.new_job import new_job
    from reportgen.drafting import blanks_of, draft_job, laboratory_for, logs_named
    from reportgen.progress import Progress
    from reportgen.render.terminal import finding_line
    from reportgen.resources import data_dir

    folder: Path = options.folder
    logs = logs_named(options.logs)
    progress = Progress()
    text, seen = draft_job(list(logs.values()), laboratory_for(folder, options.laboratory), progress)
    progress.done()
    new_job(data_dir("templates") / "job", folder, text, logs)
    faults = [fault for each in seen for fault in each.faults]
    for fault in faults:
        _complain(finding_line(fault))
    runs, blanks = sum(not each.faults for each in seen), blanks_of(text)
    job_file = str(folder / "job.toml")
    _say(message("cli.drafted", job_file=job_file, runs=runs, logs=len(logs), blanks=blanks))
    for command in ("check", "build"):
        _say(f"  {PROGRAM} {command} {folder}")
    return WRONG if faults else OK


def _check(options: argparse.Namespace) -> int:
    from reportgen.pipeline import check_job
    from reportgen.progress import Progress
    from reportgen.records.finding import Severity
    from reportgen.render.terminal import checked_lines, checked_upshot

    progress = Progress()
    checked = check_job(options.job, progress, laboratory=options.laboratory)
    progress.done()
    for line in checked_lines(checked.findings, checked.notes, checked.open_items):
        _say(line)
    _say(checked_upshot(str(options.job), checked.findings))
    return WRONG if any(finding.severity is Severity.ERROR for finding in checked.findings) else OK


def _build(options: argparse.Namespace) -> int:
    if len(options.jobs) > 1 or options.scheduler is not None:
        return _build_many(options)
    from reportgen.pipeline import build_job
    from reportgen.progress import Progress

    progress = Progress()
    built = build_job(options.jobs[0], options.out, _settings(options), progress)
    progress.done()
    _say_built(built)
    if built.missing_pdf is not None:
        return NO_PDF
    return REQUIREMENT_FAILED if options.strict and not built.conforms else OK


def _say_built(built: Built) -> None:
    from reportgen.render.terminal import built_lines

    for line in built_lines(built.report, built.folder, built.files, built.changed, same=built.same):
        _say(line)
    if built.missing_pdf is not None:
        _complain(message("error.at", where=PROGRAM, what=built.missing_pdf))


def _build_many(options: argparse.Namespace) -> int:
    from reportgen.batch import build_many

    if options.out is not None or options.supersedes is not None:
        _complain(message("cli.one-job-only", program=PROGRAM))
        return USAGE
    return build_many(
        options.jobs,
        _settings(options),
        workers=options.workers,
        scheduler=options.scheduler,
        strict=options.strict,
        say=_say,
    )


def _quicklook(options: argparse.Namespace) -> int:
    from reportgen.bare_file import quicklook
    from reportgen.progress import Progress

    progress = Progress()

    def say(line: str) -> None:
        progress.done()
        _say(line)
        sys.stdout.flush()

    quicklook(options.log, options.control, say, progress, reading=options.reading, columns=options.columns)
    return OK


def _review(options: argparse.Namespace) -> int:
    from reportgen.pipeline import Settings
    from reportgen.progress import Progress
    from reportgen.review.serve import Place, review

    progress = Progress()

    def say(line: Message) -> None:
        progress.done()
        _say(line)
        sys.stdout.flush()

    how = Settings(laboratory=options.laboratory and options.laboratory.resolve())
    place = Place(port=options.port, browser=not options.no_browser)
    review(options.job, how, place, say, progress, by=options.by)
    return OK


def _inspect(options: argparse.Namespace) -> int:
    from reportgen.bare_file import inspect_file

    for line in inspect_file(options.file).split("\n"):
        _say(line)
    return OK


def _verify(options: argparse.Namespace) -> int:
    from reportgen.progress import Progress
    from reportgen.verification import verify_archive

    progress = Progress()
    verified = verify_archive(options.file, progress, trusted=options.trust or (), branding=options.branding)
    progress.done()
    for line in verified.said:
        _say(line)
    return verified.exit_code


def _sign(options: argparse.Namespace) -> int:
    from reportgen.archive.sign import sign_report

    out = options.out or options.pdf.with_name(f"{options.pdf.stem}-signed{options.pdf.suffix}")
    for line in sign_report(options.pdf, out, options.key, options.password_file, reason=options.reason):
        _say(line)
    return OK


def _demo(options: argparse.Namespace) -> int:
    from reportgen.demo import demo

    return OK if demo(options.out, say=_say_built) else NO_PDF


if __name__ == "__main__":
    sys.exit(main())
