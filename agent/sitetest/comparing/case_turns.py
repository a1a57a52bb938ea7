"""From rows of attempts to the turns of each case: grouped by pandas, handed on as the records that statistics take.

A turn is named by its visit and its number there; a row of a file without turns is a turn of its own. A turn that
follows one with the same AP config, and for which the system gave no fresh association, is the same turn going on:
it is counted with the one before it.

Promises: the order of the rows does not matter where turns or times are stated. May import stats.sides, comparing and
pandas (inside functions).
"""

from collections.abc import Sequence
from math import isnan
from typing import TYPE_CHECKING

from sitetest.comparing.attempt_table import THROUGHPUT, AttemptTable
from sitetest.stats.sides import NO_ASSOCIATION, Turn, TurnHead, whole_turns

if TYPE_CHECKING:
    from pandas import DataFrame, Series

KEYS = ("location", "leg", "engine", "direction")


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
    work["_turn"] = frame.index.to_numpy() + 1 if table.typed else turn_numbers(frame, factor)
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


def turn_numbers(frame: "DataFrame", factor: str) -> "Series[int]":
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
            "fresh": (frame["association"] != NO_ASSOCIATION).to_numpy(),
            "place": frame["order_index"].to_numpy() if "order_index" in frame.columns else numbers,
        }
    ).sort_values(["visit", "place"], kind="stable").drop_duplicates(["visit", "turn"])  # fmt: skip
    heads_in_order = zip(*(heads[name].tolist() for name in ("visit", "turn", "applied", "fresh")), strict=True)
    whole = pd.Series(whole_turns(TurnHead(*head) for head in heads_in_order))
    visits = frame["visit_id"].to_numpy() if "visit_id" in frame.columns else [""] * len(frame)
    known = pd.MultiIndex.from_arrays([visits, numbers])
    found: Series[int] = whole.reindex(known).reset_index(drop=True)
    return found


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
