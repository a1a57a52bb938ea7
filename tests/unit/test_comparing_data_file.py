"""Files that people hand in: the right table, or one error with file, row and column. Rows as a spreadsheet counts."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyarrow import parquet
from store_records import a_turn, a_visit, an_attempt, an_observed_attempt, fixed_now, keep

from sitetest.comparing.campaign import compare
from sitetest.comparing.data_file import read_data_file
from sitetest.comparing.gating import two_builds
from sitetest.comparing.pairing import Question, pair_up
from sitetest.comparing.pooling import cell_of
from sitetest.comparing.site_data import read_site
from sitetest.errors import DataFileError, Exit, SitetestError, UsageError
from sitetest.store.database import Store
from sitetest.store.export import export
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.reading import store_path
from sitetest.store.records import Status

HEADER = "location,direction,ap_config,throughput_mbps"
GOOD = f"{HEADER}\nbasement,download,auto,412.5\nbasement,download,wide80,530\n"


def written(folder: Path, content: str | bytes) -> Path:
    file = folder / "typed.csv"
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    return file


def values_of(file: Path) -> list[float]:
    return [float(value) for value in read_data_file(file).frame["throughput_mbps"]]


@pytest.mark.parametrize(
    ("content", "noted"),
    [
        (GOOD, None),
        (GOOD.replace("\n", "\r\n"), None),
        ("\ufeff" + GOOD, None),
        (GOOD + "\n\n", None),
        (GOOD.replace("download", " Download "), None),
        (GOOD.replace(",", ";").replace("412.5", "412,5"), "semicolons"),
        (GOOD.replace(",", ";"), "semicolons"),
        (GOOD.replace(",", "\t"), "tabs"),
        ("\n".join(f"{line}," for line in GOOD.splitlines()), None),
    ],
    ids=["plain", "crlf", "byte-order-mark", "blank-lines", "spaces", "decimal-comma", "semicolon", "tab", "trailing"],
)
def test_what_spreadsheets_write_is_read(tmp_path: Path, content: str, noted: str | None) -> None:
    table = read_data_file(written(tmp_path, content))
    assert [float(value) for value in table.frame["throughput_mbps"]] == [412.5, 530.0]
    assert list(table.frame["direction"]) == ["download", "download"]
    assert table.typed
    assert [noted in note for note in table.notes if noted] == ([True] if noted else [])
    assert bool(table.notes) is bool(noted)


@pytest.mark.parametrize(
    ("content", "facts"),
    [
        (b"", ["is empty"]),
        (b" \n\n", ["is empty"]),
        (HEADER.encode(), ["header and no rows"]),
        (HEADER.encode() + b"\n,,,\n", ["header and no rows"]),
        (GOOD.replace("throughput_mbps", "throughput_mbits").encode(), ["row 1", "throughput_mbps", "Did you mean"]),
        (GOOD.replace("412.5", "fast").encode(), ["row 2", "column throughput_mbps", '"fast"']),
        (GOOD.replace("530", "-530").encode(), ["row 3", "column throughput_mbps", "-530"]),
        (GOOD.replace("530", "0").encode(), ["row 3", "column throughput_mbps", "found 0;", "status"]),
        (GOOD.replace("530", "inf").encode(), ["row 3", "column throughput_mbps", '"inf"']),
        (GOOD.replace("530", "NaN").encode(), ["row 3", "column throughput_mbps", '"NaN"']),
        (GOOD.replace("530", "").encode(), ["row 3", "column throughput_mbps", "an empty cell"]),
        (GOOD.replace("530", '"1,530.5"').encode(), ["row 3", "column throughput_mbps", "no separators"]),
        (GOOD.replace(",", ";").replace("530", "1.530,5").encode(), ["row 3", "column throughput_mbps"]),
        (GOOD.replace("412.5", "1e999").encode(), ["row 2", "column throughput_mbps"]),
        (GOOD.replace("basement,download,wide80", "basement,sideways,wide80").encode(), ["row 3", "column direction"]),
        (GOOD.replace("basement,download,wide80", ",download,wide80").encode(), ["row 3", "column location"]),
        (GOOD.replace("530", "530,7").encode(), ["row 3", "5 cells", "allowed: 4"]),
        (GOOD.replace("wide80", '"wide80').encode(), ["row 3", "double quote"]),
        (GOOD.replace("wide80", "w\u00efde").encode("latin-1"), ["row 3", "column ap_config", "0xef", "UTF-8"]),
        (GOOD.encode("utf-16"), ["row 1", "UTF-16"]),
        (GOOD.replace("wide80", "w\0de").encode(), ["row 3", "NUL"]),
        (GOOD.replace("ap_config", "location").encode(), ["row 1", "twice"]),
        (GOOD.replace("ap_config", "").encode(), ["row 1", "column 3 has no name"]),
        (f"{HEADER}\n\n\nbasement,download,auto,x\n".encode(), ["row 4", "column throughput_mbps"]),
        (b"PAR1 and then nothing of the kind PAR1", ["Parquet"]),
    ],
)  # fmt: skip
def test_a_bad_file_is_refused_with_file_row_and_column(tmp_path: Path, content: bytes, facts: list[str]) -> None:
    file = written(tmp_path, content)
    with pytest.raises(DataFileError) as caught:
        read_data_file(file)
    assert caught.value.exit_code == Exit.WRONG_USE
    told = caught.value.message + caught.value.next_step
    for fact in ["typed.csv", *facts]:
        assert fact in told


@pytest.mark.parametrize("name", ["none.csv", "."])
def test_what_is_no_file_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(DataFileError, match="cannot be read"):
        read_data_file(tmp_path / name)


GOOD_COLUMNS: dict[str, list[Any]] = {
    "test_id": ["t1", "t2", "t3"],
    "location": ["basement"] * 3,
    "direction": ["download", "upload", "download"],
    "ap_config": ["auto", "wide80", "auto"],
    "throughput_mbps": [412.5, 530.0, 9.0],
    "status": ["ok", "ok", "failed"],
    "counted": [True, None, False],
    "turn": [1, 2, 3],
    "aisle": [36, None, 149],
    "firmware": [None, "7.1", ""],
}


def in_parquet(folder: Path, **changed: list[Any] | None) -> Path:
    """Write a Parquet file with these columns; None leaves one out."""
    file = folder / "typed.parquet"
    columns = {name: cells for name, cells in {**GOOD_COLUMNS, **changed}.items() if cells is not None}
    parquet.write_table(pa.table(columns), file, row_group_size=2)
    return file


def test_a_parquet_file_of_any_kind_is_read_as_it_stands(tmp_path: Path) -> None:
    """Nulls, several row groups, and texts that pandas wrote as categories."""
    table = read_data_file(in_parquet(tmp_path), ["aisle"])
    told = {name: list(map(str, table.frame[name])) for name in ("counted", "firmware", "status", "aisle")}
    assert told["counted"] == ["true", "", "false"]
    assert told["firmware"] == ["", "7.1", ""]
    assert told["aisle"] == ["36.0", "nan", "149.0"]
    assert (list(table.frame["turn"]), table.typed, table.left_out) == ([1.0, 2.0, 3.0], False, ())
    categories = pd.DataFrame(GOOD_COLUMNS).astype({"ap_config": "category", "status": "category"})
    categories.to_parquet(tmp_path / "categories.parquet")
    again = read_data_file(tmp_path / "categories.parquet")
    assert list(again.frame["ap_config"]) == ["auto", "wide80", "auto"]
    assert again.left_out == ("aisle",)


@pytest.mark.parametrize(
    ("changed", "facts"),
    [
        ({"throughput_mbps": None, "throughput_mbits": [1, 2, 3]}, ["throughput_mbps", "Did you mean"]),
        ({"throughput_mbps": [412.5, -3.0, 9.0]}, ["row 2", "column throughput_mbps", '"-3.0"']),
        ({"throughput_mbps": [412.5, 0.0, 9.0]}, ["row 2", "column throughput_mbps", "found 0;"]),
        ({"throughput_mbps": [412.5, math.inf, 9.0]}, ["row 2", "column throughput_mbps", '"inf"']),
        ({"throughput_mbps": [None, 530.0, 9.0]}, ["row 1", "column throughput_mbps", "an empty cell"]),
        ({"throughput_mbps": ["412.5", "fast", "9"]}, ["row 2", "column throughput_mbps", '"fast"']),
        ({"throughput_mbps": [[1.0], [2.0], [3.0]]}, ["column throughput_mbps", "of type list"]),
        ({"direction": ["download", "sideways", "upload"]}, ["row 2", "column direction", '"sideways"']),
        ({"location": ["basement", None, "attic"]}, ["row 2", "column location", "an empty cell"]),
        ({"status": ["ok", "fine", "ok"]}, ["row 2", "column status", '"fine"', "failed"]),
        ({"counted": [1, 0, 1]}, ["row 1", "column counted", '"1', "true, false"]),
        ({"turn": [1.0, 1.5, 2.0]}, ["row 2", "column turn", "found 1.5"]),
        ({"turn": [1, None, 2]}, ["row 2", "column turn", "an empty cell"]),
        ({"test_id": ["t1", "t2", "t1"]}, ["row 3", "column test_id", '"t1"', "row 1 has already"]),
        ({name: [] for name in GOOD_COLUMNS}, ["has no rows"]),
    ],
)  # fmt: skip
def test_a_bad_parquet_file_is_refused_with_file_row_and_column(
    tmp_path: Path, changed: dict[str, list[Any] | None], facts: list[str]
) -> None:
    file = in_parquet(tmp_path, **changed)
    with pytest.raises(DataFileError) as caught:
        read_data_file(file)
    assert caught.value.exit_code == Exit.WRONG_USE
    told = caught.value.message + caught.value.next_step
    for fact in ["typed.parquet", *facts]:
        assert fact in told


def test_what_a_spreadsheet_makes_of_true_and_false_is_understood(tmp_path: Path) -> None:
    """It writes them in capitals; taken as a text that is not "false", an attempt that does not count would count."""
    content = f"{HEADER},status,counted\nbasement,download,auto,5,ok,FALSE\nb,upload,auto,6,ok,True\n"
    assert list(read_data_file(written(tmp_path, content)).frame["counted"]) == ["false", "true"]
    with pytest.raises(DataFileError, match="row 3, column counted"):
        read_data_file(written(tmp_path, content.replace("True", "yes")))


@pytest.mark.slow
def test_a_million_rows_give_the_right_answer_or_the_right_row(tmp_path: Path) -> None:
    """Ratio of geometric means against numpy's own; no value lies beyond the outlier limit."""
    random = np.random.default_rng(3)
    rates = np.round(np.exp(random.uniform(5.9, 6.1, 1_000_000)), 3)
    names = np.where(np.arange(len(rates)) % 2 == 0, "auto", "wide80")
    frame = pd.DataFrame({"location": "basement", "direction": "download", "ap_config": names})
    file = tmp_path / "typed.csv"
    frame.assign(throughput_mbps=rates).to_csv(file, index=False)
    question = Question("ap_config", ("auto", "wide80"))
    (pair,) = compare(read_data_file(file), question).pairs
    assert pair.verdict.interval is not None
    assert (pair.verdict.a.valid, pair.verdict.b.valid) == (500_000, 500_000)
    expected = np.exp(np.log(rates[1::2]).mean() - np.log(rates[::2]).mean())
    assert pair.verdict.interval.ratio == pytest.approx(expected, rel=1e-12)
    assert pair.values_a is None
    with file.open("a", encoding="utf-8") as more:
        more.write("basement,download,auto,none\n")
    with pytest.raises(DataFileError, match="row 1000002, column throughput_mbps"):
        read_data_file(file)


def test_an_attempt_that_is_there_twice_is_refused(tmp_path: Path) -> None:
    content = f"test_id,{HEADER}\nt1,basement,download,auto,400\nt2,basement,download,auto,401\nt1,b,upload,auto,9\n"
    with pytest.raises(DataFileError, match=r"row 4, column test_id: found \"t1\", which row 2 has already"):
        read_data_file(written(tmp_path, content))


def test_a_failed_row_needs_no_throughput_and_may_say_zero(tmp_path: Path) -> None:
    content = f"{HEADER},status\nbasement,download,auto,,failed\nbasement,download,auto,0,failed\nb,upload,auto,5,ok\n"
    values = values_of(written(tmp_path, content))
    assert math.isnan(values[0])
    assert values[1:] == [0.0, 5.0]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site with a name that a spreadsheet takes for a formula, a failure and a good attempt."""
    with Store.open(store_path(tmp_path), create=True, now=fixed_now()) as store:
        store.begin_visit(a_visit())
        store.begin_turn(a_turn(ap_config="=wide"))
        keep(store, an_attempt(1, ap_config="=wide"))
        keep(store, replace(an_attempt(2), status=Status.FAILED, reason="timeout: nothing", throughput_mbps=None))
    return tmp_path


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_an_exported_table_gives_what_the_store_gives(site: Path, kind: str) -> None:
    """Bit for bit: the throughput keeps every digit, the name loses the apostrophe that the CSV has in front."""
    export(site, site / "out", [kind], ["attempts"])
    table, own = read_data_file(site / "out" / f"attempts.{kind}"), read_site(store_path(site))
    assert not table.typed
    for column in ("test_id", "ap_config", "status", "reason", "counted", "direction", "simulated"):
        assert list(table.frame[column]) == list(own.frame[column])
    assert list(own.frame["ap_config"]) == ["=wide", "auto"]
    for column in ("throughput_mbps", "turn", "order_index"):
        assert list(table.frame[column].fillna(-1)) == list(own.frame[column].fillna(-1))


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_what_observers_saw_reads_the_same_from_every_source(tmp_path: Path, kind: str) -> None:
    """In some rows known, in others not: a column of truth values or of whole numbers then has no type of its own."""
    with Store.open(store_path(tmp_path), create=True, now=fixed_now()) as store:
        store.begin_visit(a_visit())
        store.begin_turn(a_turn())
        keep(store, an_attempt(1), an_observed_attempt(2), an_observed_attempt(3, unknown=()))
    export(tmp_path, tmp_path / "out", [kind], ["attempts"])
    table, own = read_data_file(tmp_path / "out" / f"attempts.{kind}", ["unknown"]), read_site(store_path(tmp_path))
    for frame in (table.frame, own.frame):
        assert list(frame["plugged"]) == ["", "true", "true"]
        assert list(frame["power_save"]) == ["", "false", "false"]
        assert list(frame["unknown"]) == ["", "background_scan;roamed", ""]
        assert list(frame["interface_kind"]) == ["", "wifi", "wifi"]
        assert [cell_of(value) for value in frame["server_link_mbps"]] == ["", "2500", "2500"]
        assert [cell_of(value) for value in frame["width_mhz"]] == ["", "80", "80"]


def test_a_table_of_format_1_is_read_and_goes_together_with_one_of_format_2(tmp_path: Path) -> None:
    """It has none of the columns that format 2 added, and no radio: that is not known, not another condition."""
    with Store.open(store_path(tmp_path), create=True, now=fixed_now()) as store:
        store.begin_visit(a_visit())
        for number in range(1, 9):
            ap_config = "auto" if number % 4 in (0, 1) else "wide80"
            store.begin_turn(a_turn(turn=number, ap_config=ap_config))
            changes = {"turn": number, "ap_config": ap_config, "link_source": "live"}
            keep(store, an_observed_attempt(number, **changes))
    export(tmp_path, tmp_path / "out", ["csv"], ["attempts"])
    new = tmp_path / "out" / "attempts.csv"
    observed = [field.name for field in ATTEMPT_FIELDS if field.since > 1]
    radio = ["band", "channel", "width_mhz", "rssi_dbm", "tx_rate_mbps", "rx_rate_mbps", "phy", "bssid_label"]
    old_rows = pd.read_csv(new, dtype=str, keep_default_na=False).drop(columns=observed)
    old_rows = old_rows.assign(**dict.fromkeys(radio, ""), link_source="none", schema_version="1")
    old_rows["test_id"] = "old-" + old_rows["test_id"]
    old_rows["visit_id"] = "old-visit"
    old = tmp_path / "old.csv"
    old_rows.to_csv(old, index=False)
    question = Question("ap_config", ("auto", "wide80"))
    assert compare(read_data_file(old), question).simulated is None
    both = two_builds(read_data_file(old), read_data_file(new))
    (pair,) = pair_up(both, Question("build", ("old", "new"), pooled=("ap_config",))).pairs
    assert pair.also_differs == ()
    together = tmp_path / "together.csv"
    pd.concat([old_rows, pd.read_csv(new, dtype=str, keep_default_na=False)]).fillna("").to_csv(together, index=False)
    (result,) = compare(read_data_file(together), question).pairs
    assert (len(result.values_a or ()), len(result.values_b or ()), result.also_differs) == (8, 8, ())


def test_a_parquet_and_a_csv_of_the_same_attempts_do_not_differ(tmp_path: Path) -> None:
    """Whole numbers with gaps are floats in pandas: 2500.0 is 2500."""
    tables = []
    for build, kind in (("a", "csv"), ("b", "parquet")):
        site = tmp_path / build
        with Store.open(store_path(site), create=True, now=fixed_now()) as store:
            store.begin_visit(a_visit(visit_id=build))
            for number in (1, 2, 3):
                make = an_attempt if number == 1 else an_observed_attempt
                keep(store, make(number, test_id=f"{build}-{number}", visit_id=build, turn=number))
        export(site, site / "out", [kind], ["attempts"])
        tables.append(read_data_file(site / "out" / f"attempts.{kind}"))
    with pytest.raises(UsageError, match="simulated and the others are real"):
        pair_up(two_builds(*tables), Question("build", ("old", "new")))
    chosen = Question("build", ("old", "new"), where={"link_source": "simulated"})
    (pair,) = pair_up(two_builds(*tables), chosen).pairs
    assert pair.also_differs == ()


def test_a_site_without_attempts_is_refused(tmp_path: Path) -> None:
    with Store.open(store_path(tmp_path), create=True, now=fixed_now()):
        pass
    with pytest.raises(UsageError, match="no attempt yet"):
        read_site(store_path(tmp_path))


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(st.binary(max_size=200), st.text(alphabet='a1,;\t"\n\r\0.-', max_size=80).map(str.encode)))
def test_no_content_makes_anything_but_a_table_or_an_error_for_people(tmp_path: Path, content: bytes) -> None:
    """Also below the right header, where a mistake in a cell is possible."""
    for raw in (content, HEADER.encode() + b"\n" + content):
        values, told = [], "typed.csv"
        try:
            values = values_of(written(tmp_path, raw))
        except SitetestError as problem:
            told = problem.message
        assert "typed.csv" in told
        assert all(value > 0 and math.isfinite(value) for value in values)
