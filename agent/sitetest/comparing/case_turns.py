"""From rows of attempts to the turns of each case: grouped by pandas, handed on as the records that statistics take.

A turn is named by its visit and its number there; a row of a file without turns is a turn of its own. A turn that
follows one with the same AP config, and for which the system gave no fresh association, is the same turn going on:
it is counted with the one before it.

Promises: the order of the rows does not matter where turns or times are stated. May import stats.turns, comparing and
pandas (inside functions).
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from math import fsum, isnan
from operator import itemgetter
from typing import TYPE_CHECKING

from sitetest.comparing.attempt_table import THROUGHPUT, AttemptTable
from sitetest.stats.turns import CaseTurns, TurnValue

if TYPE_CHECKING:
    from pandas import DataFrame, Series

KEYS = ("location", "leg", "engine", "direction")
NO_ASSOCIATION = "not_possible"
"""The word of column ``association`` for a turn that no fresh association began."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One turn of one case.

    visit_id: "" where a file states none. number: in its visit; of a typed file, the place of its row below the header.
    log_mbps: mean over its valid attempts, None without one. attempts, invalid: how many; reasons: of the invalid ones.
    began: as text, "" when not stated. quad: None when not stated.
    """

    level: str
    visit_id: str
    number: int
    quad: int | None
    began: str
    log_mbps: float | None
    failed: bool
    attempts: int
    invalid: int
    reasons: tuple[str, ...] = ()

    @property
    def lost(self) -> bool:
        """Whether every attempt in it was invalid."""
        return self.log_mbps is None and not self.failed


def case_of(turns: Iterable[tuple[int, Turn]]) -> CaseTurns:
    """Return what the statistics take from turns in order, each with the number that it is to have. Turns of one
    number are put together: the mean of their values, failed when any of them is."""
    attempts = invalid = 0
    reasons: Counter[str] = Counter()
    values: list[TurnValue] = []
    for number, together in groupby(turns, key=itemgetter(0)):
        logs: list[float] = []
        failed = False
        for _, turn in together:
            attempts += turn.attempts
            invalid += turn.invalid
            failed |= turn.failed
            if turn.reasons:
                reasons.update(turn.reasons)
            if turn.log_mbps is not None:
                logs.append(turn.log_mbps)
        if logs or failed:
            values.append(TurnValue(number, fsum(logs) / len(logs) if logs else None, failed))
    return CaseTurns(
        tuple(values), attempts, invalid, tuple(sorted(reasons.items(), key=lambda item: (-item[1], item[0])))
    )


def turns_of(table: AttemptTable, factor: str) -> dict[tuple[str, ...], list[Turn]]:
    """Return the turns of every case in the order in which they ran. The key has the columns of :func:`key_columns`.

    The table has rows of the wanted levels only, and a text column for ``factor``.
    """
    import numpy as np  # noqa: PLC0415
    import pandas as pd  # noqa: PLC0415

    frame, keys = table.frame, key_columns(table.frame, factor)
    size = len(frame)
    status = frame["status"] if "status" in frame.columns else pd.Series("ok", index=frame.index)
    counted = frame["counted"] != "false" if "counted" in frame.columns else pd.Series(True, index=frame.index)
    valid, failed = ((status == "ok") & counted).to_numpy(), (status == "failed").to_numpy()
    values = frame[THROUGHPUT].to_numpy()
    work = pd.DataFrame({name: frame[name].to_numpy() for name in (*keys, factor)})
    work["_visit"] = frame["visit_id"].to_numpy() if "visit_id" in frame.columns else ""
    work["_turn"] = frame.index.to_numpy() + 1 if table.typed else whole_turns(frame, factor)
    work["_quad"] = frame["quad"].to_numpy() if "quad" in frame.columns else np.nan
    work["_began"] = frame["started_at"].to_numpy() if "started_at" in frame.columns else ""
    work["_place"] = frame["order_index"].to_numpy() if "order_index" in frame.columns else work["_turn"]
    work["_visit_began"] = work.groupby("_visit", sort=False)["_began"].transform("min") if not table.typed else ""
    work["_log"] = np.log(values, out=np.zeros(size), where=valid)
    work["_valid"], work["_failed"], work["_invalid"] = valid, failed, ~valid & ~failed
    grouping = [*keys, factor, "_visit_began", "_visit", "_turn"]
    grouped = work.groupby(grouping, sort=False)
    turns = grouped.agg(
        began=("_began", "min"), quad=("_quad", "min"), place=("_place", "min"), log=("_log", "sum"),
        valid=("_valid", "sum"), failed=("_failed", "any"), invalid=("_invalid", "sum"), attempts=("_log", "size"),
    ).reset_index()  # fmt: skip
    order = ["began", "place"] if table.typed else ["_visit_began", "_visit", "place", "_turn"]
    turns = turns.sort_values([*keys, *order], kind="stable")
    reasons = _reasons(frame, work, grouping)
    found: dict[tuple[str, ...], list[Turn]] = {}
    width = len(keys)
    columns = [turns[name].to_numpy(dtype=object) for name in turns.columns]
    for row in zip(*columns, strict=True):
        key, level, _, visit, number = row[:width], *row[width : width + 4]
        began, quad, _, total, count, fails, invalid, attempts = row[width + 4 :]
        found.setdefault(key, []).append(
            Turn(
                level=level,
                visit_id=visit,
                number=int(number),
                quad=None if isnan(quad) else int(quad),
                began=began,
                log_mbps=total / count if count else None,
                failed=bool(fails),
                attempts=int(attempts),
                invalid=int(invalid),
                reasons=reasons.get(row[: width + 4], ()) if invalid else (),
            )
        )
    return found


def key_columns(frame: "DataFrame", factor: str) -> list[str]:
    """Return the columns that tell cases apart: those of KEYS that the file has, but for the compared one."""
    return [name for name in KEYS if name in frame.columns and name != factor]


def whole_turns(frame: "DataFrame", factor: str) -> "Series[int]":
    """Return the number of the turn of each row, with turns that only went on counted with the one before them."""
    import pandas as pd  # noqa: PLC0415

    numbers = frame["turn"].astype("int64").reset_index(drop=True)
    if "association" not in frame.columns or not (frame["association"] == NO_ASSOCIATION).any():
        return numbers
    applied = frame["ap_config"] if "ap_config" in frame.columns else frame[factor]
    heads = pd.DataFrame(
        {
            "visit": frame["visit_id"].to_numpy() if "visit_id" in frame.columns else "",
            "turn": numbers,
            "applied": applied.to_numpy(),
            "went_on": (frame["association"] == NO_ASSOCIATION).to_numpy(),
        }
    ).drop_duplicates(["visit", "turn"])  # fmt: skip
    heads = heads.sort_values(["visit", "turn"])
    same = (
        heads["went_on"] & (heads["visit"] == heads["visit"].shift()) & (heads["applied"] == heads["applied"].shift())
    )
    heads["whole"] = heads["turn"].where(~same).ffill().astype("int64")
    visits = frame["visit_id"].to_numpy() if "visit_id" in frame.columns else [""] * len(frame)
    known = pd.MultiIndex.from_arrays([visits, numbers])
    whole: Series[int] = heads.set_index(["visit", "turn"])["whole"].reindex(known).reset_index(drop=True)
    return whole


def _reasons(
    frame: "DataFrame", work: "DataFrame", grouping: Sequence[str]
) -> dict[tuple[object, ...], tuple[str, ...]]:
    """Return the reasons of invalid attempts by turn; few rows, so one by one."""
    found: dict[tuple[object, ...], tuple[str, ...]] = {}
    invalid = work["_invalid"].to_numpy()
    told = frame["reason"] if "reason" in frame.columns else None
    flags = frame["flags"] if "flags" in frame.columns else None
    for place in invalid.nonzero()[0]:
        text = str(told.iloc[place]) if told is not None else ""
        text = text.partition(":")[0] or (str(flags.iloc[place]) if flags is not None else "") or "not stated"
        at = tuple(work[name].iloc[place] for name in grouping)
        found[at] = (*found.get(at, ()), text)
    return found
