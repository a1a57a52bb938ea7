"""Why nothing answered: decided from what the watch saw and what the network answered while the outage lasted.

    one diagnosis                                              means
    no link                                                    link
    link, test server answers                                  reflector
    link, its machine answers or takes a connection            server
    link, its machine silent, a gateway answers                host
    link, its machine silent, and no gateway answers           path

    the outage, the first row that applies
    late answers, nothing was lost                             late
    began with the laptop's waking                             sleep
    most diagnoses name one of link, host, server, reflector   that one; of equals, the one that came first
    most diagnoses say path                                    link, when a link sample had no association;
                                                               server, when the machine said that nothing listens;
                                                               path otherwise
    nobody was asked (it was too short)                        link, when there was no association or no packet was
                                                               taken; server, when the machine said that nothing
                                                               listens; path otherwise

A gateway: on the way to the server, or beside it on the laptop's own subnet. Where there is none to ask, a server's
machine that restarts looks like a dead path; that nothing listened was said before it went silent, and is believed.

Pure. May import observe.watch.seen, store.soak_events, visit.diagnosis and the standard library only.
"""

from collections import Counter
from collections.abc import Mapping
from types import MappingProxyType

from sitetest.observe.watch.seen import Back
from sitetest.store.soak_events import Cause
from sitetest.visit.diagnosis import Answer, Diagnosis

_WHY: Mapping[Cause, str] = MappingProxyType(
    {
        Cause.LINK: "The laptop had no link.",
        Cause.PATH: "The laptop had its link, and nothing behind it answered.",
        Cause.HOST: "The gateway answered and the server's machine did not.",
        Cause.SERVER: "The server's machine answered and the test server did not.",
        Cause.REFLECTOR: "The test server answered and only its reflector was silent.",
        Cause.SLEEP: "It began as the laptop woke.",
        Cause.LATE: "The answers were late, not lost: nothing was away.",
    }
)


def told_by(diagnosis: Diagnosis) -> Cause:
    """Say what one diagnosis, asked while nothing answered the watch, means."""
    if diagnosis.link is Answer.NO:
        return Cause.LINK
    if diagnosis.server is Answer.YES:
        return Cause.REFLECTOR
    if diagnosis.host is not Answer.NO:
        return Cause.SERVER
    return Cause.HOST if Answer.YES in {diagnosis.gateway, diagnosis.neighbour} else Cause.PATH


def cause_of(back: Back, told: Mapping[Cause, int]) -> tuple[Cause, str]:
    """Return the cause of an outage that is over, and a sentence. told: how many of the diagnoses asked while it lasted
    meant what, the first one first."""
    cause = _cause(back, told)
    return cause, _WHY[cause]


def _cause(back: Back, told: Mapping[Cause, int]) -> Cause:
    if back.length_s == 0:
        return Cause.LATE
    if back.after_sleep:
        return Cause.SLEEP
    most = max(told, key=lambda cause: told[cause]) if told else Cause.PATH
    if most is not Cause.PATH:
        return most
    if back.no_association or (back.not_taken and not told):
        return Cause.LINK
    return Cause.SERVER if back.refused else Cause.PATH


class Told:
    """Counts diagnoses by what they mean; of any number of them it keeps the counts and the last."""

    def __init__(self) -> None:
        self.counts: Counter[Cause] = Counter()
        self.last: Cause | None = None

    def add(self, diagnosis: Diagnosis) -> Cause:
        """Take in a diagnosis; return what it means."""
        self.last = told_by(diagnosis)
        self.counts[self.last] += 1
        return self.last
