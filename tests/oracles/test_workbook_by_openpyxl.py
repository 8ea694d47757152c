"""Workbooks of runs and comparisons, read by openpyxl, which shares no code with the program.

Format: ECMA-376, part 1, 18.3.1.4 (a cell has a type: number, boolean, string, formula). Every number must equal the CSV's to
the last bit, every text must be that text, and no cell may be a formula whatever its words begin with.
"""

import csv
import json
import subprocess

import pytest
from openpyxl import load_workbook

HOSTILE = "=cmd|' /C calc'!A0"
SHEETS = ["steps", "ratings", "curve", "findings"]


def made(wattproof, *words):
    done = subprocess.run(
        [wattproof, *words], capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def folder(wattproof, tmp_path_factory):
    """A whole run, whose nameplate was written by somebody who means harm."""
    out = tmp_path_factory.mktemp("results")
    made(wattproof, "demo", "--amplifier", "honest", "--out", out)
    (folder,) = [path for path in out.iterdir() if path.is_dir()]
    about = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    about["nameplate"]["maker"] = HOSTILE
    about["nameplate"]["model"] = "@SUM(1+1)"
    (folder / "run.json").write_text(json.dumps(about), encoding="utf-8")
    header = "finding,at_s,name,channel,value,unit,expanded_u,at,low,high,verdict,note"
    row = "1,1.5,'=1+1,2,-0.25,V,,'-3 dB point,,,,\"a, b\""
    (folder / "findings.csv").write_text(f"{header}\r\n{row}\r\n", encoding="utf-8")
    return folder


def harmless(text):
    """What a text is in a CSV (README.md)."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text


def compare_with_csv(sheet, path, before):
    rows = list(sheet.iter_rows())
    names = [cell.value for cell in rows[0]]
    with path.open(encoding="utf-8", newline="") as file:
        table = list(csv.reader(file))
    assert names[before:] == table[0]
    assert sheet.freeze_panes == "A2" and len(rows) == len(table)
    numbers = 0
    for cells, fields in zip(rows[1:], table[1:], strict=True):
        for cell, field in zip(cells[before:], fields, strict=True):
            assert cell.data_type != "f", (cell.coordinate, cell.value)
            if cell.value is None:
                assert field == "", (cell.coordinate, field)
            elif cell.data_type == "n":
                numbers += 1
                assert cell.value == float(field), (cell.coordinate, cell.value, field)
            elif cell.data_type == "b":
                assert field == str(cell.value).lower()
            else:
                assert cell.data_type == "s" and harmless(cell.value) == field, (cell.coordinate, cell.value, field)
    return numbers


def test_a_workbook_of_runs_equals_their_tables(wattproof, folder, tmp_path):
    path = tmp_path / "run.xlsx"
    made(wattproof, "export", folder, "--xlsx", path)
    book = load_workbook(path)
    assert book.sheetnames == [*SHEETS, "runs"]
    numbers = {name: compare_with_csv(book[name], folder / f"{name}.csv", before=5) for name in SHEETS}
    assert numbers["steps"] > 500 and numbers["ratings"] > 40 and numbers["findings"] == 4, numbers
    for name in SHEETS:
        assert [cell.value for cell in book[name][1]][:5] == ["run", "maker", "model", "serial", "bench"]
        first = book[name][2]
        assert (first[0].value, first[1].value, first[2].value) == (folder.name, HOSTILE, "@SUM(1+1)")
        assert first[1].data_type == "s"
    about = dict(zip([cell.value for cell in book["runs"][1]], [cell.value for cell in book["runs"][2]], strict=True))
    told = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert (about["started_utc"], about["outcome"], about["invented"]) == (told["started_utc"], "finished", True)


def test_a_workbook_of_a_comparison_equals_its_table(wattproof, folder, tmp_path):
    path, table = tmp_path / "compared.xlsx", tmp_path / "compared.csv"
    made(wattproof, "compare", folder, folder, "--xlsx", path, "--csv", table)
    book = load_workbook(path)
    assert book.sheetnames == ["compared", "differences"]
    assert compare_with_csv(book["compared"], table, before=0) > 100
    makers = {row[13].value for row in book["compared"].iter_rows(min_row=2)}
    assert makers == {HOSTILE}


def test_all_runs_of_a_folder_stand_in_one_workbook(wattproof, folder, tmp_path):
    path = tmp_path / "all.xlsx"
    made(wattproof, "export", "--results", folder.parent, "--xlsx", path)
    assert load_workbook(path)["runs"].max_row == 2
    # What is to be written must be said.
    done = subprocess.run([wattproof, "export", folder], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2 and "--xlsx" in done.stderr, done.stderr
    # Without columns built in, the program says what to do.
    done = subprocess.run(
        [wattproof, "export", folder, "--parquet", tmp_path / "columns"], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0 or "--features parquet" in done.stderr
