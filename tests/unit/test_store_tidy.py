"""results.csv: written whole, always the picture of the store, never the reason to lose anything."""

import csv
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store_records import (
    BEGAN,
    OUTLIER,
    ROAMED,
    SOAK_ID,
    VISIT_ID,
    a_soak,
    a_turn,
    a_visit,
    an_attempt,
    an_observed_attempt,
    announced,
    begin,
    keep,
)

from sitetest.store.atomic_file import write_atomically
from sitetest.store.database import Store
from sitetest.store.fields import ATTEMPT_FIELDS
from sitetest.store.reading import StoreReader
from sitetest.store.records import Flag, Status
from sitetest.store.tidy import Facts, attempt_values, cell_text, csv_rows, header_line, is_counted, number_text


def rebuilt(path: Path) -> bytes:
    """The table made from nothing but the store."""
    with StoreReader.read_only(path) as reader:
        return (header_line(ATTEMPT_FIELDS) + csv_rows(map(attempt_values, reader.facts()))).encode()


def rows(table: Path) -> list[dict[str, str]]:
    with table.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "results" / "site.sqlite"


def test_after_every_step_the_table_is_what_a_rebuild_makes(path: Path) -> None:
    """What was added must never differ from the store."""
    table = path.with_name("results.csv")
    with Store.open(path, create=True) as store:
        assert table.read_bytes() == rebuilt(path)
        begin(store)
        for number in range(1, 6):
            keep(store, an_attempt(number, reason="=1+1" if number == 2 else ""))
            assert table.read_bytes() == rebuilt(path)
        store.add_flag("test-2", OUTLIER)
        assert table.read_bytes() == rebuilt(path)
        store.begin_visit(a_visit(visit_id="visit-2", simulated="two AP configs by pacing"))
        keep(store, an_attempt(6, visit_id="visit-2"))
        assert table.read_bytes() == rebuilt(path)
        store.begin_attempt(announced(an_attempt(7)))
    with Store.open(path, create=False):
        assert table.read_bytes() == rebuilt(path)
    assert [row["test_id"] for row in rows(table)] == [f"test-{number}" for number in range(1, 8)]
    assert [row["status"] for row in rows(table)][-1] == "interrupted"
    assert [row["flags"] for row in rows(table)] == ["", "outlier", "", "", "", "", ""]
    assert [row["link_source"] for row in rows(table)][4:6] == ["none", "simulated"]


def test_a_row_says_how_its_own_turn_began(path: Path) -> None:
    """Not the first turn of the file, and begun anew after an interruption: the last beginning counts."""
    with Store.open(path, create=True) as store:
        begin(store)
        store.begin_turn(a_turn(turn=4, quad=1, association="asked"))
        store.begin_turn(a_turn(turn=4, quad=1, association="operator"))
        keep(store, an_attempt(1, turn=4))
        assert [row["association"] for row in rows(path.with_name("results.csv"))] == ["operator"]
        assert path.with_name("results.csv").read_bytes() == rebuilt(path)


STEPS = st.lists(
    st.tuples(st.sampled_from(["visit", "turn", "attempt", "observed", "flag", "killed"]), st.integers(0, 99)),
    max_size=12,
)


@pytest.mark.slow
@settings(max_examples=10, deadline=None)
@given(STEPS)
def test_whatever_a_site_goes_through_the_table_is_what_a_rebuild_makes(steps: list[tuple[str, int]]) -> None:
    """Visits side by side, turns begun anew, attempts cut off, flags of long ago, the program started again."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "results" / "site.sqlite"
        store = Store.open(path, create=True)
        visits: list[str] = []
        ended: list[str] = []
        for number, (what, pick) in enumerate([("visit", 0), *steps], start=1):
            visit_id = visits[pick % len(visits)] if visits else ""
            turn = pick % 3 + 1
            match what:
                case "visit":
                    visits.append(f"visit-{number}")
                    store.begin_visit(a_visit(visit_id=visits[-1], simulated="pacing" if pick % 2 else None))
                case "turn":
                    store.begin_turn(a_turn(visit_id=visit_id, turn=turn, quad=number))
                case "attempt" | "observed":
                    make = an_attempt if what == "attempt" else an_observed_attempt
                    keep(store, make(number, visit_id=visit_id, turn=turn))
                    ended.append(f"test-{number}")
                case "flag" if ended:
                    store.add_flag(ended[pick % len(ended)], OUTLIER)
                case "killed":
                    store.begin_attempt(announced(an_attempt(number, visit_id=visit_id, turn=turn)))
                    store.close()
                    store = Store.open(path, create=False)
                case _:  # a flag, with nothing yet to add it to
                    pass
            assert path.with_name("results.csv").read_bytes() == rebuilt(path)
        store.close()


def test_a_row_in_full(path: Path) -> None:
    """Each value by hand from the record, so that no two columns can have changed places."""
    with Store.open(path, create=True) as store:
        begin(store)
        keep(store, an_attempt(3, flags=(ROAMED, OUTLIER), firmware="7.1"))
    (row,) = rows(path.with_name("results.csv"))
    assert {name: value for name, value in row.items() if value} == {
        "test_id": "test-3", "visit_id": "visit-1", "site": "quay-street-bookshop", "location": "basement",
        "access_point": "counter", "ap_config": "auto", "firmware": "7.1", "leg": "lan", "engine": "http",
        "direction": "download", "streams": "2", "client": "bench-laptop", "server": "192.0.2.10:17300",
        "profile": "basement", "turn": "1", "repeat": "3", "attempt": "1", "order_index": "3",
        "started_at": "2026-03-02T09:15:30.120034+00:00", "warm_up_s": "3", "duration_s": "30", "status": "ok",
        "flags": "roamed;outlier", "counted": "false", "throughput_mbps": "290.123456789",
        "received_bytes": "1078125000", "retransmits": "17", "link_source": "none", "congestion_control": "cubic",
        "engine_version": "3.12.0", "sitetest_version": "0.1.0", "schema_version": "3", "purpose": "planned",
        "quad": "1", "seed": "7", "association": "asked", "switched": "operator", "switch_back_s": "4.25",
        "offset_s": "30", "window_s": "30.002", "wall_s": "33.9", "moved_bytes": "1186000000",
        "local_address": "192.0.2.21", "client_cpu_share": "0.31", "visit_kind": "run",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("status", "severities", "counted"),
    [
        (Status.OK, [], True),
        (Status.OK, ["note"], True),
        (Status.OK, ["note", "doubt"], False),
        (Status.OK, ["invalid"], False),
        (Status.FAILED, [], False),
        (Status.INVALID, [], False),
        (Status.INTERRUPTED, [], False),
    ],
)
def test_what_counts(status: Status, severities: list[str], counted: bool) -> None:
    """docs/method.md: a doubt is not counted, a note is; a failure has no throughput."""
    attempt = an_attempt(status=status, flags=tuple(Flag(f"f{n}", "seen", s) for n, s in enumerate(severities)))
    assert is_counted(attempt) is counted
    values = dict(
        zip((field.name for field in ATTEMPT_FIELDS), attempt_values(Facts(a_visit(), a_turn(), attempt)), strict=True)
    )
    assert values["counted"] is counted


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1, "0.1"),
        (300.0, "300"),
        (941.482444, "941.482444"),
        (1e22, "1E+22"),
        (1.5e-7, "1.5E-07"),
        (1 / 3, "0.3333333333333333"),
    ],
)
def test_numbers_are_written_as_table_schema_has_them(value: float, text: str) -> None:
    """datapackage.org, Table Schema, number: a point, and an exponent written with E."""
    assert number_text(value) == text


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("basement", "basement"),
        ("=HYPERLINK(1)", "'=HYPERLINK(1)"),
        ("-1 floor", "'-1 floor"),
        ("'=1", "''=1"),
        ("'quoted'", "'quoted'"),
        ("two\r\nlines\tand a tab", "two lines and a tab"),
        ("Łódź ☕", "Łódź ☕"),
    ],
)
def test_texts(text: str, cell: str) -> None:
    assert cell_text(text) == cell


@pytest.mark.parametrize(
    ("simulated", "read_from", "told"),
    [
        (None, "none", "none"),
        (None, "live", "live"),
        ("pacing", "none", "simulated"),
        ("pacing", "live", "live"),
        ("pacing", "simulated", "simulated"),
    ],
)
def test_where_the_radio_columns_come_from(simulated: str | None, read_from: str, told: str) -> None:
    """The reader beside the attempt says so itself; without one, a simulated link has no radio behind it."""
    facts = Facts(a_visit(simulated=simulated), a_turn(), an_attempt(link_source=read_from))
    values = dict(zip((field.name for field in ATTEMPT_FIELDS), attempt_values(facts), strict=True))
    assert values["link_source"] == told


def test_a_table_that_cannot_be_written_loses_nothing_and_is_said(path: Path) -> None:
    """A folder in its place stands for a file that another program holds open: renaming over it fails."""
    table = path.with_name("results.csv")
    with Store.open(path, create=True) as store:
        begin(store)
        assert store.table_problem is None
        table.unlink()
        table.mkdir()
        keep(store, an_attempt(1))
        assert store.table_problem is not None
        assert "Nothing is lost" in store.table_problem
        assert len(store.attempts("visit-1")) == 1
        assert not path.with_name(".results.csv.new").exists()
        table.rmdir()
        keep(store, an_attempt(2))
        assert store.table_problem is None
        assert len(rows(table)) == 2


def test_a_table_that_could_not_be_written_for_a_while_is_whole_when_the_store_is_closed(path: Path) -> None:
    """No attempt came after it: in a soak that paused on a full disk, none may."""
    table = path.with_name("results.csv")
    with Store.open(path, create=True) as store:
        begin(store)
        table.unlink()
        table.mkdir()
        keep(store, an_attempt(1))
        assert store.table_problem is not None
        table.rmdir()
    assert table.read_bytes() == rebuilt(path)
    assert len(rows(table)) == 1


def test_a_hand_edit_is_never_read_back(path: Path) -> None:
    table = path.with_name("results.csv")
    with Store.open(path, create=True) as store:
        begin(store)
        keep(store, an_attempt(1))
        table.write_text(table.read_text().replace("basement", "attic"))
        keep(store, an_attempt(2))
    assert {row["location"] for row in rows(table)} == {"basement"}


def test_a_table_without_its_store_is_moved_aside_not_written_over(path: Path) -> None:
    """It may be all that is left of somebody's results."""
    for number in (1, 2):
        path.parent.mkdir(exist_ok=True)
        path.with_name("results.csv").write_text(f"precious {number}")
        Store.open(path, create=True).close()
        path.unlink()
    assert path.with_name("results-before-1.csv").read_text() == "precious 1"
    assert path.with_name("results-before-2.csv").read_bytes().startswith(b"test_id,") is False


def test_a_failed_writing_leaves_the_old_file_and_no_litter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "table.csv"
    write_atomically(target, b"old")

    def fails(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("sitetest.store.atomic_file.os.fsync", fails)
    with pytest.raises(OSError, match="No space"):
        write_atomically(target, b"new")
    assert target.read_bytes() == b"old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["table.csv"]


def test_a_table_that_may_fall_behind_is_whole_when_its_time_is_up_and_at_every_end(path: Path) -> None:
    table, now_s = path.with_name("results.csv"), [100.0]
    with Store.open(path, create=True, table_behind_s=60.0, clock=lambda: now_s[0]) as store:
        begin(store)
        keep(store, an_attempt(1), an_attempt(2))
        assert rows(table) == []
        now_s[0] += 60.0
        keep(store, an_attempt(3))
        assert [row["test_id"] for row in rows(table)] == ["test-1", "test-2", "test-3"]
        keep(store, an_attempt(4))
        store.end_visit("visit-1", BEGAN, "complete")
        assert table.read_bytes() == rebuilt(path)
        assert len(rows(table)) == 4
        keep(store, an_attempt(5))
        store.add_flag("test-2", ROAMED)
    assert table.read_bytes() == rebuilt(path)
    assert [row["flags"] for row in rows(table)] == ["", "roamed", "", "", ""]


def test_new_attempts_are_added_to_what_was_written_and_nothing_else_is_read_again(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the table's length: a week's attempts are neither held nor read for each one more."""
    with Store.open(path, create=True) as store:
        begin(store)
        keep(store, an_attempt(1))
        monkeypatch.setattr(store._table, "_every", lambda: pytest.fail("the whole table was written again"))
        keep(store, *(an_attempt(number) for number in range(2, 30)))
        monkeypatch.undo()
        assert path.with_name("results.csv").read_bytes() == rebuilt(path)
        held = [value for value in vars(store._table).values() if isinstance(value, list | dict | bytes)]
        assert (held, store._not_in_table) == ([], [])


def test_facts_are_read_some_at_a_time_without_losing_one(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sitetest.store.reading._ATTEMPTS_AT_A_TIME", 3)
    with Store.open(path, create=True) as store:
        begin(store)
        assert list(store.each_fact()) == []
        keep(store, *(an_attempt(number, flags=(ROAMED,)) for number in range(1, 8)))
        assert list(store.each_fact()) == store.facts()
        assert len(store.facts()) == 7
        store.begin_visit(a_soak())
        keep(store, an_attempt(8, visit_id=SOAK_ID))
        assert store.facts(VISIT_ID) + store.facts(SOAK_ID) == store.facts()
        assert [one.attempt.test_id for one in store.facts(SOAK_ID)] == ["test-8"]
