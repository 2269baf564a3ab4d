"""The command line: ``patchstats COMMAND``, one function a command.

Exit code 0: done. 1: done, though some of the files were refused. 2: not done, with one sentence on why. What a
command needs is imported when that command runs, so that ``patchstats --help`` is quick.
"""

from __future__ import annotations

import argparse
import getpass
import importlib.util
import json
import os
import subprocess
import sys
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path

import patchstats
from patchstats.launch import clone_root, one_thread

PROG = "patchstats"
UNITS = ("imperial", "metric")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    one_thread()
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a console that has no sign for ½ must not end the command
            stream.reconfigure(errors="replace")
    arguments = list(sys.argv[1:] if arguments is None else arguments)
    parser = make_parser()
    options, rest = parser.parse_known_args(arguments)
    if rest and options.command != "test":
        parser.error(f"{options.command} does not know {' '.join(rest)}")
    options.rest = rest
    from patchstats.remarks import PatchstatsError  # pandas comes with it, which --help need not wait for

    try:
        return options.run(options)
    except PatchstatsError as error:
        return _fail(str(error))
    except BrokenPipeError:
        sys.stderr.close()  # the reader of our output has left, as `| head` does; nothing is wrong
        return 0
    except OSError as error:
        return _fail(f"{error.filename}: {error.strerror}." if error.filename and error.strerror else str(error))
    except KeyboardInterrupt:
        return _fail("Stopped.", 130)


def _fail(sentence: str, code: int = 2) -> int:
    sys.stdout.flush()
    print(" ".join(sentence.split()), file=sys.stderr)
    return code


def make_parser() -> argparse.ArgumentParser:
    """The parser of every command; each leaves the function that does it in ``run``."""
    parser = argparse.ArgumentParser(
        prog=PROG, description="Analysis toolkit of a giant-pumpkin growers' club: members' logs in, findings out.")
    parser.add_argument("--version", action="version", version=f"{PROG} {patchstats.__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, run: Callable[[argparse.Namespace], int], about: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".")
        sub.set_defaults(run=run)
        return sub

    def club(sub: argparse.ArgumentParser) -> None:
        sub.add_argument("--club", type=Path, default=Path(), metavar="DIR",
                         help="the club's folder (default: the folder you are in)")

    sub = command("demo", _demo, "the invented club from its logs to the annual meeting, step by step")
    sub.add_argument("--output", type=Path, default=Path("output"), metavar="DIR",
                     help="where the page, charts and notebooks go (default: %(default)s)")
    sub.add_argument("--club", type=Path, metavar="DIR",
                     help="where the invented club lives (default: data/demo of the clone, else patchstats-demo)")

    command("test", _test, "run every test, the notebooks included (further words go to pytest)")

    sub = command("new-club", _new_club, "make a club's folder")
    sub.add_argument("folder", type=Path)
    sub.add_argument("--name", required=True, help="the club's name")
    sub.add_argument("--units", choices=UNITS, default=UNITS[0],
                     help="the units shown; nothing stored depends on them (default: %(default)s)")

    sub = command("take-in", _take_in, "take members' logs into the club book")
    sub.add_argument("files", type=Path, nargs="+", metavar="FILE", help="files, or folders of them")
    club(sub)
    sub.add_argument("--dry-run", action="store_true", help="read and report, and keep nothing")
    sub.add_argument("--json", action="store_true", help="print the receipts as JSON")
    sub.add_argument("--receipts", action="store_true", help="print each receipt in full")

    sub = command("take-back", _take_back, "take one file out of the tables again; the file itself stays kept")
    sub.add_argument("receipt", type=int, help="the number of its receipt")
    sub.add_argument("--why", default="", help="the reason, for the history")
    club(sub)

    sub = command("open-questions", _open_questions, "list what waits for an answer in the files that stand")
    club(sub)

    sub = command("desk", _desk, "open the upload desk, a page where members hand in logs")
    sub.add_argument("folder", type=Path, nargs="?", default=Path(), metavar="CLUB",
                     help="the club's folder (default: the folder you are in)")
    sub.add_argument("--lan", action="store_true",
                     help="let members of the local network in, with the desk's passphrase and their own codes")
    sub.add_argument("--code", metavar="MEMBER", help="give this member a new code for the desk, and open nothing")
    sub.add_argument("--port", type=int, metavar="N", help="the port (default: the usual one, or any free one)")
    sub.add_argument("--no-browser", action="store_true", help="only say the address")
    sub.add_argument("--certificate", type=Path, metavar="PEM", help="serve https with this certificate")
    sub.add_argument("--key", type=Path, metavar="PEM", help="the certificate's key")

    sub = command("verify", _verify, "check the club book, its originals, and every row against a new reading")
    club(sub)

    sub = command("backup", _backup, "copy the club, as it stands at one moment, to a new folder")
    sub.add_argument("to", type=Path, metavar="NEW_DIR")
    club(sub)

    sub = command("export", _export, "write every table of the club as CSV, with its meaning, to a new folder")
    sub.add_argument("to", type=Path, metavar="NEW_DIR")
    club(sub)

    sub = command("history", _history, "every taping of a fruit that the book ever held, with the line it came from")
    sub.add_argument("fruit", help='such as "Marta Quell/2024/A"')
    sub.add_argument("--date", help="one day, such as 2024-08-03")
    club(sub)

    sub = command("blank-log", _blank_log, "write an empty log that a member can fill in")
    sub.add_argument("to", type=Path, metavar="FILE", help="its ending says the form: .xlsx, .csv or .txt")
    sub.add_argument("--units", choices=UNITS, default=UNITS[0], help="(default: %(default)s)")

    sub = command("corrected-log", _corrected_log, "write a member's log put right, with what is left to fill in")
    sub.add_argument("receipt", type=int, help="the number of its receipt")
    sub.add_argument("to", type=Path, metavar="FILE.xlsx")
    club(sub)

    sub = command("meeting", _meeting, "write the annual meeting's page, its findings and charts, to a folder")
    sub.add_argument("to", type=Path, metavar="DIR")
    club(sub)

    sub = command("notebooks", _notebooks, "run the project's notebooks again, and keep their new outputs in place")
    sub.add_argument("only", nargs="*", type=Path, metavar="NOTEBOOK", help="these alone (default: all)")

    sub = command("dictionary", _dictionary, "print the data dictionary: every table and column, unit and meaning")
    sub.add_argument("table", nargs="?", help="one table of it")
    return parser


def _demo(options: argparse.Namespace) -> int:
    from patchstats.tour import demo

    demo(output=options.output, club_folder=options.club)
    return 0


def _test(options: argparse.Namespace) -> int:
    from patchstats.remarks import PatchstatsError

    root = clone_root()
    if root is None:
        raise PatchstatsError("The tests are in the project's clone, not in the installed package: run "
                              "python3 -m patchstats test there.")
    if not all(importlib.util.find_spec(name) for name in ("pytest", "nbval", "hypothesis")):
        raise PatchstatsError(f'The test tools are not installed here: run {sys.executable} -m pip install '
                              f'-c constraints.txt -e ".[test]" in {root}.')
    pytest = [sys.executable, "-m", "pytest"]
    if options.rest:
        return subprocess.call([*pytest, *options.rest], cwd=root)
    from patchstats.tour import demo_club

    demo_club()  # the notebooks read it
    sys.stdout.flush()
    # One after the other: notebooks' kernels and the tests would take each other's cores.
    codes = [subprocess.call([*pytest, *words], cwd=root) for words in (
        [], ["--nbval", "-p", "no:xdist", "--nbval-sanitize-with", "tests/nbval_sanitize.cfg", "notebooks"])]
    return max(codes)


def _notebooks(options: argparse.Namespace) -> int:
    from patchstats import tour

    club = tour.demo_club()
    tour.run_notebooks(club.folder, tour.notebooks_folder(), only=[path.stem for path in options.only])
    return 0


def _shown(units: str):
    from patchstats.units import IMPERIAL, METRIC

    return dict(zip(UNITS, (IMPERIAL, METRIC), strict=True))[units]


def _new_club(options: argparse.Namespace) -> int:
    from patchstats.clubbook import create_club

    folder = create_club(options.folder, name=options.name, shown=_shown(options.units))
    print(f"The club {options.name!r} is in {folder}. Take in logs with: {PROG} take-in FILES --club {folder}")
    return 0


def _take_in(options: argparse.Namespace) -> int:
    from patchstats.clubbook import as_text, take_in

    def progress(done: int, of: int, receipt) -> None:
        if not options.json:
            nothing = receipt.status == "taken in" and not receipt.kept
            print(f"{done}/{of} {receipt.name}: {'nothing of it kept' if nothing else receipt.status}, "
                  f"{receipt.rows_read} lines read = {receipt.rows_kept} kept + {receipt.rows_listed} listed")

    receipts = take_in(options.club, options.files, dry_run=options.dry_run, progress=progress)
    if options.json:
        print(json.dumps([_record(receipt) for receipt in receipts], indent=1, ensure_ascii=False))
    elif options.receipts or len(receipts) == 1:
        print("\n".join(as_text(receipt) for receipt in receipts))
    if len(receipts) > 1 and not options.json:
        print(_what_is_open(receipts, options))
    refused = [receipt for receipt in receipts if receipt.status == "refused"]
    if not refused:
        return 0
    first = f"{refused[0].name}: {refused[0].reason}"
    if len(refused) == len(receipts):
        what = "The file could not be read as a log" if len(refused) == 1 else (
            f"None of the {len(refused)} files could be read as a log, the first being")
        return _fail(f"{what}: {first}")
    return _fail(f"{len(refused)} of {len(receipts)} files could not be read as a log, the first being: {first}", 1)


def _what_is_open(receipts, options: argparse.Namespace) -> str:
    """How much of these files waits for somebody, and how to see it."""
    from patchstats.clubbook.receipts import OPEN

    said = [remark.severity for receipt in receipts for remark in receipt.remarks if remark.severity in OPEN]
    if not said:
        return "Nothing in these files waits for an answer."
    asked = said.count("asked")
    others = len(said) - asked
    parts = [f"{asked} {'question' if asked == 1 else 'questions'}"] if asked else []
    parts += [f"{others} {'place' if others == 1 else 'places'} that could not be used"] if others else []
    how = "--receipts prints each receipt in full." if options.dry_run else (
        f"See what is open: {PROG} open-questions --club {options.club}")
    return f"In these files stand open: {' and '.join(parts)}. {how}"


def _record(receipt) -> dict:
    """A receipt as plain values."""
    return {
        "receipt": receipt.number, "name": receipt.name, "sha256": receipt.sha256, "status": receipt.status,
        "reason": receipt.reason, "rows_read": receipt.rows_read, "rows_kept": receipt.rows_kept,
        "rows_listed": receipt.rows_listed, "kept": dict(receipt.kept), "understood": dict(receipt.understood),
        "remarks": [{"severity": r.severity, "code": r.code, "line": r.line, "column": r.column, "read": r.read,
                     "message": r.message, "advice": r.advice, "before": r.before, "after": r.after}
                    for r in receipt.remarks]}


def _take_back(options: argparse.Namespace) -> int:
    from patchstats.clubbook import take_back

    receipt = take_back(options.club, options.receipt, why=options.why)
    why = f" ({receipt.reason})" if receipt.reason else ""
    print(f"Receipt {receipt.number}, {receipt.name}, is taken back{why}: nothing of it counts any more, and the file "
          "itself stays kept.")
    return 0


def _open_questions(options: argparse.Namespace) -> int:
    from patchstats.clubbook import open_club
    from patchstats.clubbook.receipts import HEADINGS, OPEN

    remarks = open_club(options.club).remarks
    for severity in OPEN:
        some = remarks[remarks["severity"] == severity].sort_values(["receipt", "line"], kind="stable")
        if len(some):
            print(f"{HEADINGS[severity]} ({len(some)})")
        for r in some.itertuples():
            line = f", line {r.line}" if r.line else ""
            print(" ".join(f"  - receipt {r.receipt}, {r.file}{line}: {r.message} {r.advice}".rstrip().splitlines()))
    if not remarks["severity"].isin(OPEN).any():
        print("Nothing waits for an answer.")
    return 0


def _desk(options: argparse.Namespace) -> int:
    from patchstats.desk import give_code, open_desk

    if options.code is not None:
        code = give_code(options.folder, options.code)
        print(f"The code of {options.code} is {code}. Hand it over by itself; it is shown only this once.")
        return 0
    passphrase = ""
    if options.lan:
        passphrase = os.environ.get("PATCHSTATS_DESK_PASSPHRASE", "")
        if not passphrase and sys.stdin.isatty():
            passphrase = getpass.getpass("Passphrase of the desk, which members will be asked for: ")
    open_desk(options.folder, port=options.port, lan=options.lan, passphrase=passphrase,
              browser=not options.no_browser, certificate=options.certificate, key=options.key,
              say=lambda words: print(words, flush=True))
    return 0


def _verify(options: argparse.Namespace) -> int:
    from patchstats.clubbook import verify

    found = verify(options.club)
    print(found)
    return 2 if found.faults else 0


def _backup(options: argparse.Namespace) -> int:
    from patchstats.clubbook import backup

    print(f"The backup is in {backup(options.club, options.to)}.")
    return 0


def _export(options: argparse.Namespace) -> int:
    from patchstats.clubbook import export

    print(f"The tables are in {export(options.club, options.to)}.")
    return 0


def _history(options: argparse.Namespace) -> int:
    from patchstats.clubbook import history

    found = history(options.club, fruit=options.fruit, date=options.date)
    if found.empty:
        print(f"The book has no taping of {options.fruit}{f' on {options.date}' if options.date else ''}.")
        return 0
    for row in found.itertuples():
        back = f", taken back on {row.taken_back[:10]}" if row.taken_back else ""
        print(f"{row.date:%Y-%m-%d}  receipt {row.receipt}{back}, {row.file} line {row.line}: {row.as_written}")
    return 0


def _blank_log(options: argparse.Namespace) -> int:
    from patchstats.clubbook import blank_log

    return _write_new(options.to, blank_log(options.to.suffix.removeprefix("."), shown=_shown(options.units)))


def _corrected_log(options: argparse.Namespace) -> int:
    from patchstats.clubbook import corrected

    return _write_new(options.to, corrected(options.club, options.receipt))


def _write_new(path: Path, data: bytes) -> int:
    from patchstats.remarks import OutputError

    try:
        with open(path, "xb") as file:
            file.write(data)
    except FileExistsError:
        raise OutputError(f"{path} is there already; name a new file.") from None
    print(f"{path} is written.")
    return 0


def _meeting(options: argparse.Namespace) -> int:
    from patchstats.clubbook import open_club
    from patchstats.meeting import write_meeting

    club = open_club(options.club)
    print("Working out what the logs say ...", flush=True)
    written = write_meeting(club, options.to, progress=lambda chart: print(f"  {chart}", flush=True))
    print(f"{len(written.findings)} findings and {len(written.charts)} files of charts. Open {written.page} in a "
          "browser.")
    return 0


def _dictionary(options: argparse.Namespace) -> int:
    from patchstats import tables

    for table in [tables.table(options.table)] if options.table else tables.DICTIONARY.values():
        print(f"{table.name}: {table.meaning}{'' if table.stored else ' Computed, not stored.'}")
        width = max(len(column.name) for column in table.columns) + 2
        for column in table.columns:
            said = [column.meaning]
            if column.unit:
                said.append(f"unit: {column.unit}")
            if column.low is not None and column.high is not None:
                said.append(f"plausible from {column.low:g} to {column.high:g}")
            if column.choices:
                said.append(f"one of: {', '.join(column.choices)}")
            print(textwrap.fill("; ".join(said), 110, initial_indent=f"  {column.name:<{width}}",
                                subsequent_indent=" " * (width + 2), break_on_hyphens=False))
        print()
    return 0
