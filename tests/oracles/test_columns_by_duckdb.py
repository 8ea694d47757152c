"""Columns of runs, read by DuckDB, which shares no code with the program: the figures of the CSVs, parted by month.

Only where a program with the feature `parquet` is named by WATTPROOF_PARQUET_BIN, and duckdb is installed (by hand: it is not
among tests/requirements.txt). Format: Apache Parquet; folders as Apache Hive parts them (`month=2026-11`, common practice).
"""

import json
import os
import subprocess

import pytest

duckdb = pytest.importorskip("duckdb")
BINARY = os.environ.get("WATTPROOF_PARQUET_BIN")
pytestmark = pytest.mark.skipif(not BINARY, reason="WATTPROOF_PARQUET_BIN names no program")


def made(*words):
    done = subprocess.run([BINARY, *words], capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    out = tmp_path_factory.mktemp("results")
    for amplifier in ("honest", "line"):
        made("demo", "--amplifier", amplifier, "--out", out)
    return out


def test_columns_hold_what_the_tables_hold_once_however_often_exported(results, tmp_path):
    into = tmp_path / "columns"
    first = made("export", "--results", results, "--parquet", into).split()
    assert made("export", "--results", results, "--parquet", into).split() == first
    assert len(first) == 4 and len(list(into.rglob("*"))) == 4 + 4
    folders = [path for path in results.iterdir() if path.is_dir()]
    for name in ("steps", "ratings"):
        columns = duckdb.read_parquet(f"{into}/{name}/*/*.parquet", hive_partitioning=True)
        assert columns.columns[:5] == ["run", "maker", "model", "serial", "bench"] and columns.columns[-1] == "month"
        for folder in folders:
            table = duckdb.read_csv(str(folder / f"{name}.csv"), header=True, all_varchar=True)
            own = duckdb.sql(f"select * from columns where run = '{folder.name}'").fetchall()
            rows = table.fetchall()
            assert len(own) == len(rows) > 0
            month = json.loads((folder / "run.json").read_text())["started_utc"][:7]
            for mine, theirs in zip(own, rows, strict=True):
                assert str(mine[-1])[:7] == month
                for value, field in zip(mine[5:-1], theirs, strict=True):
                    if isinstance(value, bool):
                        assert str(value).lower() == field
                    elif isinstance(value, int | float):
                        assert value == float(field)
                    else:
                        assert (value or "") == (field or "").removeprefix("'")
    watts = duckdb.sql(f"select max(measured_w) from read_parquet('{into}/ratings/*/*.parquet')").fetchone()
    assert watts[0] > 100
