"""From rows of attempts to the turns of each case: whole columns at a time, since there may be a million rows.

A turn is named by its visit and its number there; a row of a file without turns is a turn of its own. A turn that
follows one with the same AP config, and for which the system gave no fresh association, is the same turn going on:
it is counted with the one before it.

Promises: the order of the rows does not matter where turns or times are stated. May import stats, comparing, and numpy
and pandas (inside functions).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sitetest.comparing.attempt_table import THROUGHPUT, AttemptTable
from sitetest.comparing.coded import Coded, coded, constant, together
from sitetest.comparing.moments import Moments, moments, never
from sitetest.stats.sides import NO_ASSOCIATION, TurnHead, whole_turns

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
    from pandas import DataFrame

    Integers = NDArray[np.integer[Any]]
    Floats = NDArray[np.float64]
    Marks = NDArray[np.bool_]

KEYS = ("location", "leg", "engine", "direction")


@dataclass(frozen=True, slots=True)
class RanTurns:
    """The turns of one case in the order in which they ran; one array a fact, one item a turn.

    level: of each turn, place in level_names. visit: place in visit_names, "" where a file states none. number: in its
    visit; of a typed file, the place of its row below the header. quad: 0 when not stated. began: rank, the text of
    which is ``moments.text_of``. log_mbps: mean over its valid attempts, NaN without one. failed: share of its
    attempts, the invalid ones left out, that failed. attempts, invalid: how many. reasons: of each invalid attempt,
    with visit and number of its turn, by place in level_names. rows: positions of the case's attempts in the table.
    """

    level: "Integers"
    level_names: tuple[str, ...]
    visit: "Integers"
    visit_names: tuple[str, ...]
    number: "Integers"
    quad: "Integers"
    began: "Integers"
    moments: Moments
    log_mbps: "Floats"
    failed: "Floats | Marks"
    attempts: "Integers"
    invalid: "Integers"
    reasons: Mapping[int, Sequence[tuple[int, int, str]]]
    rows: "Integers"

    def __len__(self) -> int:
        return len(self.level)

    def place_of(self, name: str) -> int:
        """Return the place of a configuration in level_names, -1 when it has no turn anywhere."""
        return self.level_names.index(name) if name in self.level_names else -1

    def of(self, *names: str) -> "RanTurns":
        """Return the turns of these configurations; rows stay those of the case."""
        import numpy as np  # noqa: PLC0415

        chosen = np.isin(self.level, [self.place_of(name) for name in names])
        return self if chosen.all() else self.only(chosen)

    def only(self, chosen: "Marks | slice") -> "RanTurns":
        """Return the chosen turns; reasons and rows stay those of the case."""
        return replace(
            self,
            level=self.level[chosen],
            visit=self.visit[chosen],
            number=self.number[chosen],
            quad=self.quad[chosen],
            began=self.began[chosen],
            log_mbps=self.log_mbps[chosen],
            failed=self.failed[chosen],
            attempts=self.attempts[chosen],
            invalid=self.invalid[chosen],
        )

    @property
    def lost(self) -> "Marks":
        """Of which turns every attempt was invalid."""
        import numpy as np  # noqa: PLC0415

        lost: Marks = np.isnan(self.log_mbps) & (self.failed == 0)
        return lost

    @property
    def visits(self) -> tuple[str, ...]:
        """The visits that they belong to, in the order in which these ran."""
        import numpy as np  # noqa: PLC0415

        codes, first = np.unique(self.visit, return_index=True)
        return tuple(self.visit_names[code] for code in codes[np.argsort(first)].tolist())

    @property
    def period(self) -> tuple[str, str]:
        """When the first and the last of them began, as text; "" when not stated."""
        stated = self.began[self.began != self.moments.blank]
        if not len(stated):
            return "", ""
        return self.moments.text_of(int(stated.min())), self.moments.text_of(int(stated.max()))

    def letters(self, a: str) -> str:
        """Return the order as text, A for a turn of ``a`` and B for any other; small letters for lost turns."""
        import numpy as np  # noqa: PLC0415

        letters = np.where(self.level == self.place_of(a), ord("A"), ord("B"))
        return (letters + np.where(self.lost, ord("a") - ord("A"), 0)).astype(np.uint8).tobytes().decode()


@dataclass(frozen=True, slots=True)
class _Rows:
    """What the grouping needs of every attempt. turn: number of its turn. place: where in its visit it ran. visit_rank:
    place of its visit among the visits, by time. log_mbps: NaN where not valid."""

    case: "Integers"
    level: Coded
    visit: Coded
    visit_rank: "Integers"
    turn: "Integers"
    place: "NDArray[Any]"
    quad: "Integers"
    moments: Moments
    log_mbps: "Floats"
    valid: "Marks"
    failed: "Marks"


def turns_of(table: AttemptTable, factor: str) -> dict[tuple[str, ...], RanTurns]:
    """Return the turns of every case in the order in which they ran, sorted by key: the texts of :func:`key_columns`.

    The table has rows of the wanted levels only, and a text column for ``factor``.
    """
    frame = table.frame
    case, names = together([coded(frame[name]) for name in key_columns(frame, factor)], len(frame))
    rows = _rows(table, factor, case)
    if table.typed:
        order = first = _sorted_by(rows.place, rows.moments.ranks, rows.case)
        turns = _rows_as_turns(rows, order)
    else:
        order, starts = _groups(rows)
        first = order[starts]
        turns = _rows_as_turns(rows, order) if len(first) == len(order) else _turns(rows, order, starts)
    reasons = _reasons(frame, rows)
    turn_ends, row_ends = (_ends(case[along], len(names)) for along in (first, order))
    found = {}
    for place, key in enumerate(names):
        chosen = turns.only(slice(turn_ends[place], turn_ends[place + 1]))
        of_case = order[row_ends[place] : row_ends[place + 1]]
        found[key] = replace(chosen, rows=of_case, reasons=reasons.get(place, {}))
    return found


def key_columns(frame: "DataFrame", factor: str) -> list[str]:
    """Return the columns that tell cases apart: those of KEYS that the file has, but for the compared one."""
    return [name for name in KEYS if name in frame.columns and name != factor]


def _rows(table: AttemptTable, factor: str, case: "Integers") -> _Rows:
    import numpy as np  # noqa: PLC0415

    frame, size = table.frame, len(table.frame)
    told = moments(frame["started_at"]) if "started_at" in frame.columns else never(size)
    visit = coded(frame["visit_id"]) if "visit_id" in frame.columns else constant("", size)
    ok = coded(frame["status"]).rows_with("ok") if "status" in frame.columns else np.ones(size, dtype=bool)
    failed = coded(frame["status"]).rows_with("failed") if "status" in frame.columns else np.zeros(size, dtype=bool)
    uncounted = coded(frame["counted"]).rows_with("false") if "counted" in frame.columns else np.zeros(size, dtype=bool)
    valid = ok & ~uncounted
    turn = _data_rows(frame) if table.typed else _compact(turn_numbers(frame, factor))
    return _Rows(
        case=case,
        level=coded(frame[factor]),
        visit=visit,
        visit_rank=np.zeros(size, dtype=np.uint8) if table.typed else _visit_ranks(visit, told),
        turn=turn,
        place=frame["order_index"].to_numpy() if "order_index" in frame.columns else turn,
        quad=_compact(np.nan_to_num(frame["quad"].to_numpy())) if "quad" in frame.columns else np.zeros(size, np.uint8),
        moments=told,
        log_mbps=np.log(frame[THROUGHPUT].to_numpy(), out=np.full(size, np.nan), where=valid),
        valid=valid,
        failed=failed,
    )


def _data_rows(frame: "DataFrame") -> "Integers":
    """Return the place of each row below the header, from 1."""
    import numpy as np  # noqa: PLC0415
    import pandas as pd  # noqa: PLC0415

    if isinstance(frame.index, pd.RangeIndex):
        return np.arange(frame.index.start + 1, frame.index.stop + 1, frame.index.step, dtype=np.int32)
    return _compact(frame.index.to_numpy() + 1)


def _visit_ranks(visit: Coded, told: Moments) -> "Integers":
    """Return for each row the place of its visit, by the first time stated in it and then by name."""
    import numpy as np  # noqa: PLC0415

    began = np.full(len(visit.names), np.iinfo(told.ranks.dtype).max, dtype=told.ranks.dtype)
    np.minimum.at(began, visit.codes, told.ranks)
    ranks = np.empty(len(began), dtype=np.min_scalar_type(len(began)))
    ranks[np.argsort(began, kind="stable")] = np.arange(len(began))
    of_rows: Integers = ranks[visit.codes]
    return of_rows


def _groups(rows: _Rows) -> "tuple[Integers, Integers]":
    """Return the rows of each turn side by side, the turns in the order in which they ran, and where each starts."""
    import numpy as np  # noqa: PLC0415

    keys = (rows.level.codes, rows.turn, rows.visit_rank, rows.case)
    order = _sorted_by(*keys)
    new = np.zeros(len(order), dtype=bool)
    new[:1] = True
    for key in keys:
        along = key[order]
        new[1:] |= along[1:] != along[:-1]
    starts = new.nonzero()[0]
    first = order[starts]
    place = np.fmin.reduceat(rows.place[order], starts)
    turn_order = _sorted_by(first, rows.turn[first], place, rows.visit_rank[first], rows.case[first])
    if (turn_order[1:] > turn_order[:-1]).all():
        return order, starts
    lengths = np.diff(starts, append=len(order))[turn_order]
    ends = lengths.cumsum()
    within = np.arange(len(order)) - np.repeat(ends - lengths, lengths)
    return order[np.repeat(starts[turn_order], lengths) + within], ends - lengths


def _rows_as_turns(rows: _Rows, order: "Integers") -> RanTurns:
    """Return each row as a turn, those of all cases one after the other."""
    import numpy as np  # noqa: PLC0415

    return RanTurns(
        level=rows.level.codes[order],
        level_names=rows.level.names,
        visit=rows.visit.codes[order],
        visit_names=rows.visit.names,
        number=rows.turn[order],
        quad=rows.quad[order],
        began=rows.moments.ranks[order],
        moments=rows.moments,
        log_mbps=rows.log_mbps[order],
        failed=rows.failed[order],
        attempts=np.ones(len(order), dtype=np.uint8),
        invalid=(~rows.valid & ~rows.failed)[order].view(np.uint8),
        reasons={},
        rows=order,
    )


def _turns(rows: _Rows, order: "Integers", starts: "Integers") -> RanTurns:
    """Return the turns of all cases one after the other; order: the rows of each turn side by side."""
    import numpy as np  # noqa: PLC0415
    import pandas as pd  # noqa: PLC0415

    attempts = np.diff(starts, append=len(order))
    total = pd.Series(rows.log_mbps[order]).groupby(np.repeat(np.arange(len(starts)), attempts)).sum().to_numpy()
    valid, failed = (np.add.reduceat(one[order], starts, dtype=np.int64) for one in (rows.valid, rows.failed))
    first = order[starts]
    return RanTurns(
        level=rows.level.codes[first],
        level_names=rows.level.names,
        visit=rows.visit.codes[first],
        visit_names=rows.visit.names,
        number=rows.turn[first],
        quad=np.minimum.reduceat(rows.quad[order], starts),
        began=np.minimum.reduceat(rows.moments.ranks[order], starts),
        moments=rows.moments,
        log_mbps=np.divide(total, valid, out=np.full(len(starts), np.nan), where=valid > 0),
        failed=failed / np.maximum(failed + valid, 1),
        attempts=attempts,
        invalid=attempts - valid - failed,
        reasons={},
        rows=order,
    )


def _sorted_by(*keys: "NDArray[Any]") -> "Integers":
    """Return the positions in ascending order of the last key, within that of the one before it, and so on; stable."""
    import numpy as np  # noqa: PLC0415

    order: Integers | None = None
    for key in keys:
        along = key if order is None else key[order]
        if (along[1:] >= along[:-1]).all():
            continue
        step = np.argsort(along, kind="stable")
        order = _compact(step if order is None else order[step])
    return np.arange(len(keys[0]), dtype=np.int32) if order is None else order


def _compact(numbers: "NDArray[Any]") -> "Integers":
    """Return whole numbers in the smallest type that holds them."""
    import numpy as np  # noqa: PLC0415

    kind = np.int32 if abs(numbers).max(initial=0) < 2**31 else np.int64
    compacted: Integers = numbers.astype(kind)
    return compacted


def _ends(sorted_cases: "Integers", count: int) -> list[int]:
    """Return where each of ``count`` cases starts in a sorted column of case numbers, and the end of the last."""
    import numpy as np  # noqa: PLC0415

    return [0, *np.bincount(sorted_cases, minlength=count).cumsum().tolist()]


def turn_numbers(frame: "DataFrame", factor: str) -> "Integers":
    """Return the number of the turn of each row, with turns that only went on counted with the one before them."""
    import pandas as pd  # noqa: PLC0415

    numbers = frame["turn"].to_numpy().astype("int64")
    if "association" not in frame.columns:
        return numbers
    fresh = ~coded(frame["association"]).rows_with(NO_ASSOCIATION)
    if fresh.all():
        return numbers
    applied = coded(frame["ap_config"] if "ap_config" in frame.columns else frame[factor])
    visit = coded(frame["visit_id"]) if "visit_id" in frame.columns else constant("", len(frame))
    place = frame["order_index"].to_numpy() if "order_index" in frame.columns else numbers
    heads = pd.DataFrame(
        {"visit": visit.codes, "turn": numbers, "applied": applied.codes, "fresh": fresh, "place": place}
    )
    heads = heads.sort_values(["visit", "place"], kind="stable").drop_duplicates(["visit", "turn"])
    in_order = zip(*(heads[name].tolist() for name in ("visit", "turn", "applied", "fresh")), strict=True)
    whole = pd.Series(whole_turns(TurnHead(on, turn, applied.names[code], new) for on, turn, code, new in in_order))
    found: Integers = whole.reindex(pd.MultiIndex.from_arrays([visit.codes, numbers])).to_numpy()
    return found


def _reasons(frame: "DataFrame", rows: _Rows) -> dict[int, dict[int, list[tuple[int, int, str]]]]:
    """Return the reasons of invalid attempts by case and level."""
    found: dict[int, dict[int, list[tuple[int, int, str]]]] = {}
    invalid = (~rows.valid & ~rows.failed).nonzero()[0]
    if not len(invalid):
        return found
    told, flags = (_texts_at(frame, name, invalid) for name in ("reason", "flags"))
    where = (rows.case, rows.level.codes, rows.visit.codes, rows.turn)
    spoilt = zip(*(column[invalid].tolist() for column in where), told, flags, strict=True)
    for case, level, visit, turn, reason, flag in spoilt:
        text = reason.partition(":")[0] or flag or "not stated"
        found.setdefault(case, {}).setdefault(level, []).append((visit, turn, text))
    return found


def _texts_at(frame: "DataFrame", column: str, positions: "Integers") -> list[str]:
    if column not in frame.columns:
        return [""] * len(positions)
    texts = coded(frame[column])
    return [texts.names[code] for code in texts.codes[positions].tolist()]
