"""tables.xlsx and tables/*.csv: every table, typed, without formulas, numbers of results.json, the same bytes."""

from __future__ import annotations

import csv
import io
import json
import time
import zipfile
from dataclasses import replace
from datetime import date, datetime
from xml.etree import ElementTree

import openpyxl
import pytest

from reportgen.records.message import message
from reportgen.records.note import Note
from reportgen.records.result import Trend
from reportgen.render.results import exact, results_json
from reportgen.render.tables import Table
from reportgen.render.tables_csv import csv_files, csv_of
from reportgen.render.tables_of_report import report_tables
from reportgen.render.tables_xlsx import LONGEST_CELL, BookInfo, book_info, workbook
from reportgen.render.words import Words, words
from tests.render.sample_report import sample_report

HOSTILE = ('=HYPERLINK("http://x","y")', "+1+1", "-2+3", "@SUM(A1)", "\t=1", "  =1+1", "#N/A", "_x0041_", "a\x07b")
BOOK = BookInfo(title="VTR-1 A", creator="Laboratory", date=date(2026, 3, 20))


def rows_of(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))


def numbers_in(value) -> set[float]:
    if isinstance(value, dict):
        return set().union(*map(numbers_in, value.values())) if value else set()
    if isinstance(value, list):
        return set().union(*map(numbers_in, value)) if value else set()
    return {float(value)} if isinstance(value, int | float) and not isinstance(value, bool) else set()


def opened(content: bytes):
    return openpyxl.load_workbook(io.BytesIO(content))


def test_every_number_of_results_tables_is_in_results_json_to_the_last_digit(report, templates):
    known = numbers_in(json.loads(results_json(report)))
    of_results = (
        "resonances",
        "modes",
        "shifts",
        "runs",
        "requirements",
        "evidence",
        "dwells",
        "levels",
        "unexplained",
    )
    counted = {"No."}
    for each in report_tables(report, templates):
        if each.name not in of_results:
            continue
        for row in each.rows:
            for heading, value in zip(each.headings, row, strict=True):
                if isinstance(value, float) and heading not in counted:
                    assert value in known, (each.name, heading, value)


def test_numbers_of_a_resonance_stand_in_their_columns(report, templates):
    texts = csv_files(report_tables(report, templates))
    row = rows_of(texts["resonances.csv"])[0]
    run = json.loads(results_json(report))["runs"][0]
    found = run["channels"][0]["resonances"][0]
    assert (row["Run"], row["Channel"], row["No."]) == (run["id"], run["channels"][0]["id"], "1")
    assert float(row["Frequency [Hz]"]) == found["frequency_hz"]
    assert float(row["Standard uncertainty [Hz]"]) == found["frequency_std_hz"]
    assert float(row["Q"]) == found["q"]
    assert float(row["Amplification"]) == found["amplification"]
    assert float(row["Phase [°]"]) == found["phase_deg"]
    assert float(row["Peak as recorded [Hz]"]) == found["observed"]["peak_hz"]


def test_cells_are_typed_and_no_cell_is_a_formula(report, templates):
    tables = report_tables(report, templates)
    book = opened(workbook(tables, BOOK))
    assert [sheet.title for sheet in book] == [each.title for each in tables]
    kinds = {type(cell.value) for sheet in book for row in sheet.iter_rows() for cell in row}
    assert {str, int, float, datetime, type(None)} <= kinds
    assert not [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.data_type in ("f", "e")]
    instruments = book["Instruments"]
    calibrated = [cell for cell in instruments["F"][1:] if cell.value is not None]
    assert calibrated
    assert all(cell.is_date and cell.number_format == "yyyy-mm-dd" for cell in calibrated)
    for each in tables:
        for line, row in enumerate(each.rows, start=2):
            for column, value in enumerate(row, start=1):
                if isinstance(value, float):
                    assert book[each.title].cell(line, column).value == value


def hostile_table() -> Table:
    return Table("t", "T", ("Text", "Number"), tuple((text, -1.5) for text in HOSTILE))


def test_text_that_looks_like_a_formula_stays_text_in_the_workbook():
    content = workbook([hostile_table()], BOOK)
    cells = [row[0] for row in opened(content)["T"].iter_rows(min_row=2)]
    assert {cell.data_type for cell in cells} == {"s"}
    assert [cell.value for cell in cells[:7]] == list(HOSTILE[:7])
    assert cells[0].quotePrefix
    with zipfile.ZipFile(io.BytesIO(content)) as parts:
        sheet = parts.read("xl/worksheets/sheet1.xml")
        assert b"<f" not in sheet.replace(b"<font", b"")
        # What a reader by the standard shows is what was written: an underscore that would begin an escape is one.
        assert b"_x005F_x0041_" in sheet
        ElementTree.fromstring(sheet)


def test_text_that_looks_like_a_formula_is_guarded_in_csv_and_numbers_are_not():
    rows = list(csv.reader(io.StringIO(csv_of(hostile_table()).decode("utf-8-sig"))))[1:]
    assert [row[0] for row in rows] == [*("'" + text for text in HOSTILE[:6]), *HOSTILE[6:]]
    assert {row[1] for row in rows} == {"-1.5"}


def test_a_text_longer_than_a_cell_is_cut_in_the_workbook_and_whole_in_csv():
    text = "x" * (LONGEST_CELL + 1)
    table = Table("t", "T", ("Text",), ((text,),))
    assert opened(workbook([table], BOOK))["T"]["A2"].value == "x" * (LONGEST_CELL - 1) + "…"
    assert text in csv_of(table).decode("utf-8-sig")


def test_a_workbook_told_the_time_at_which_it_was_written(report, templates):
    tables = report_tables(report, templates)
    first = workbook(tables, BOOK)
    time.sleep(2.1)  # the times in a zip are in steps of two seconds
    assert workbook(report_tables(report, templates), BOOK) == first
    book = opened(first)
    assert book.properties.created == book.properties.modified == datetime(2026, 3, 20)
    with zipfile.ZipFile(io.BytesIO(first)) as parts:
        assert {entry.date_time for entry in parts.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_every_table_of_the_report_is_there(report, templates):
    names = {each.name for each in report_tables(report, templates)}
    assert names >= {
        "report", "requirements", "evidence", "corrections", "observations", "opinions", "runs", "events", "notches",
        "dwells", "exciter", "resonances", "modes", "shifts", "beams", "channels", "instruments", "profiles",
        "tolerances", "inspections", "notes", "quality", "findings", "inputs",
    }  # fmt: skip
    first = report_tables(report, templates)[0]
    counted = {label: value for label, value in first.rows if str(label).startswith("Rows in table")}
    assert counted["Rows in table Deviations"] == 0


def test_a_draft_says_so_on_every_sheet(report, templates):
    draft = replace(report, draft=True)
    book = opened(workbook(report_tables(draft, templates), book_info(draft, templates)))
    assert all(sheet["A1"].value == "DRAFT – not issued" for sheet in book)
    assert all(sheet.oddHeader.center.text == "DRAFT – not issued" for sheet in book)
    assert ("Standing", "DRAFT – not issued") in report_tables(draft, templates)[0].rows


def test_labels_of_tables_are_said_in_german(german, templates, monkeypatch):
    asked: set[str] = set()
    say = Words.say

    def remember(self, text, **values):
        asked.add(text)
        return say(self, text, **values)

    monkeypatch.setattr(Words, "say", remember)
    tables = report_tables(german, templates)
    known = words(templates / "words", "de")
    assert sorted(each for each in asked if not known.knows(each)) == []
    assert all(len(each.title) <= 31 for each in tables)
    assert len({each.title for each in tables}) == len(tables)


@pytest.mark.parametrize("language", ["en", "de"])
def test_titles_fit_a_sheet_in_either_language(language, tmp_path, templates):
    report = sample_report(tmp_path, points=100, language=language)
    opened(workbook(report_tables(report, templates), BOOK))


def test_words_of_the_user_are_not_translated(tmp_path, templates):
    report = sample_report(tmp_path, points=100, language="de")
    job = replace(report.job, persons=tuple(replace(each, role="Run") for each in report.job.persons))
    assert ("Run", job.persons[0].name) in report_tables(replace(report, job=job), templates)[0].rows


def test_a_note_with_line_ends_is_one_row(report, templates):
    note = Note(source="n.csv", line=1, text='a\r\n"b", c', unread=(message("note.asked"),))
    texts = csv_files(report_tables(replace(report, notes=(note,)), templates))
    (row,) = rows_of(texts["notes.csv"])
    assert row["As written"].splitlines() == ["a", '"b", c']
    assert row["Not understood"]


def test_a_requirement_over_several_runs_has_a_row_for_each_in_a_table_of_its_own(report, templates):
    whole = report.verdicts[0]
    parts = (replace(whole, run="X-PRE"), replace(whole, run="X-PRE", before="X-PRE", after="X-POST"))
    changed = replace(report, verdicts=(replace(whole, parts=parts), *report.verdicts[1:]))
    texts = csv_files(report_tables(changed, templates))
    rows = rows_of(texts["requirement_runs.csv"])
    assert [(row["Run"], row["Before"], row["After"]) for row in rows] == [("X-PRE", "", ""), ("", "X-PRE", "X-POST")]
    assert len(rows_of(texts["requirements.csv"])) == len(report.verdicts)
    assert "requirement_runs.csv" not in csv_files(report_tables(report, templates))


def test_trends_of_a_dwell_and_recorded_responses_are_in_the_tables(report, templates):
    dwelt = next(run for run in report.runs if run.dwell is not None)
    trend = Trend(per_minute=-0.05, std=0.001, freedom=18)
    told = replace(dwelt, dwell=replace(dwelt.dwell, level_trend_db=None, response_trend_db=trend))
    runs = tuple(told if each is dwelt else each for each in report.runs)
    texts = csv_files(report_tables(replace(report, runs=runs), templates))
    (row,) = rows_of(texts["dwells.csv"])
    assert (row["Trend of response [dB/min]"], row["Standard uncertainty of the response's trend [dB/min]"]) == (
        "-0.05",
        "0.001",
    )
    assert row["Trend of level [dB/min]"] == ""
    seen = [each for run in runs for channel in run.channels for each in channel.resonances]
    column = [row["Response as recorded (peak) [m/s²]"] for row in rows_of(texts["resonances.csv"])]
    assert [float(each) if each else None for each in column] == [
        each.observed.response_mps2 and exact(each.observed.response_mps2) for each in seen
    ]


def test_no_table_has_two_columns_of_one_name(report, templates):
    """A reader of the CSV by names would lose one of them."""
    for each in report_tables(report, templates):
        assert len(set(each.headings)) == len(each.headings), each.name
