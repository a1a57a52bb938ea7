"""libiperf's own JSON: the first object of what it printed, and samples made from it where nothing better is known.

What it printed may hold two objects (some versions print the record twice) or a second text after the first. An
``error`` in the record wins over a plausible-looking ``end``. Pure. May import sitetest_wire and the standard library.
"""

import json
from collections.abc import Mapping
from typing import Any

from sitetest_wire.samples import Sample
from sitetest_wire.words import CountedAs


def first_object(raw: str) -> Mapping[str, Any] | None:
    """Return the first JSON object in a text; None when there is none that is whole."""
    start = raw.find("{")
    if start < 0:
        return None
    try:
        found, _ = json.JSONDecoder().raw_decode(raw[start:])
    except ValueError:
        return None
    return found if isinstance(found, dict) else None


def error_in(record: Mapping[str, Any] | None) -> str | None:
    """Return libiperf's complaint in its own words; None when it has none."""
    error = None if record is None else record.get("error")
    return error.strip() if isinstance(error, str) and error.strip() else None


def samples_from_record(record: Mapping[str, Any] | None) -> tuple[Sample, ...]:
    """Make received samples from the intervals of the RECEIVING end's record, one an interval (a second).

    The record must be that of the receiver: the client's for a download, the server's for an upload. The sender's
    intervals count bytes written, which is another thing. Intervals that libiperf omits are passed over. Returns
    nothing when the record has no usable intervals.
    """
    totals: list[int] = []
    samples: list[Sample] = []
    at_s = 0.0
    try:
        for interval in (record or {}).get("intervals", ()):
            streams = interval["streams"]
            if not streams or any(stream.get("omitted") for stream in streams):
                continue
            totals += [0] * (len(streams) - len(totals))
            if not samples:
                samples.append(Sample(0.0, (0,) * len(totals), CountedAs.RECEIVED))
            for index, stream in enumerate(streams):
                totals[index] += int(stream["bytes"])
            at_s += max(float(stream["seconds"]) for stream in streams)
            samples.append(Sample(at_s, tuple(totals), CountedAs.RECEIVED))
    except (KeyError, TypeError, ValueError, AttributeError):
        return ()
    return tuple(samples)
