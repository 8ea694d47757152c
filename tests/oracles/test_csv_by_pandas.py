"""Every table of a run and of a comparison, read by pandas as anybody would: one line, no options.

Format: RFC 4180. A column of numbers must come in as numbers; what is empty as missing.
"""

import subprocess

import numpy as np
import pandas as pd
import pytest

WORDS = {
    "steps": {"purpose", "flags"},
    "ratings": {"driven", "limit_by", "verdict", "cause", "evidence", "calibration", "not_measured"},
    "curve": {"point"},
    "bursts": {"procedure"},
    "compared": {
        "limit_by", "driven", "run", "unit", "verdict", "cause", "maker", "model", "serial", "quantity", "told_by", "at",
        "note", "significance", "compared_with", "incomparable",
    },
}
BOOLEANS = {"steps": {"driven", "bridged"}}


@pytest.fixture(scope="module", params=["honest", "line"])
def tables(request, wattproof, tmp_path_factory):
    out = tmp_path_factory.mktemp(request.param)
    command = [wattproof, "demo", "--amplifier", request.param, "--out", out]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (folder,) = [path for path in out.iterdir() if path.is_dir()]
    compared = out / "compared.csv"
    done = subprocess.run(
        [wattproof, "compare", folder, folder, "--csv", compared], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    files = {name: folder / f"{name}.csv" for name in WORDS if name != "compared"} | {"compared": compared}
    return {name: pd.read_csv(path) for name, path in files.items()}


def test_numbers_come_in_as_numbers(tables):
    for name, table in tables.items():
        assert not table.columns.duplicated().any()
        for column in set(table.columns) - WORDS[name] - BOOLEANS.get(name, set()):
            # A column of nothing but empty fields comes in as floating point, or of an empty table as object.
            assert table.empty or pd.api.types.is_numeric_dtype(table[column]), f"{name}.{column}: {table[column].dtype}"
            assert not np.isinf(table[column].astype(float)).any(), f"{name}.{column}"
        for column in BOOLEANS.get(name, set()):
            assert table[column].dtype == bool, f"{name}.{column}"
    assert len(tables["steps"]) > 20 and len(tables["ratings"]) == 3


def test_a_comparison_holds_the_ratings_of_each_run(tables):
    ratings, everything = tables["ratings"], tables["compared"]
    compared = everything[everything["quantity"].isin(["measured power", "measured output"])]
    in_volts = ratings["measured_w"].isna().all()
    measured, u = ("measured_vrms", "expanded_u_vrms") if in_volts else ("measured_w", "expanded_u_w")
    assert len(compared) == 2 * len(ratings)
    assert set(compared["unit"]) == {"V" if in_volts else "W"}
    for part in (compared.iloc[0::2], compared.iloc[1::2]):
        assert (part["measured"].to_numpy() == ratings[measured].to_numpy()).all()
        assert (part["expanded_u"].to_numpy() == ratings[u].to_numpy()).all()
        assert (part["verdict"].to_numpy() == ratings["verdict"].to_numpy()).all()


def test_a_comparison_is_tidy(tables):
    # Tidy data (Wickham, 2014, from memory): a row an observation; a value and its unit stand in every row that tells one.
    compared = tables["compared"]
    key = ["run", "quantity", "load_ohm", "supply_v_set", "hz", "limit_by", "limit_pct", "driven", "channel", "at"]
    # The same run stands in both columns, so that each row stands twice.
    assert (compared.groupby(key, dropna=False).size() == 2).all()
    assert compared["unit"].notna().all() and compared["incomparable"].isna().all()
    rated = compared["measured"].notna()
    assert (compared.loc[rated, "value"] == compared.loc[rated, "measured"]).all()
    differences = compared["difference"].dropna()
    assert len(differences) and (differences == 0).all()
    assert "significant" not in set(compared["significance"].dropna())
    # What is not told has no number and says why.
    untold = compared[compared["value"].isna()]
    assert untold["expanded_u"].isna().all() and untold["note"].notna().all()
