"""Why nothing answered: the decision table, row by row. The rules are our own; `soak_events.Cause` has the words."""

import pytest

from sitetest.observe.watch.seen import Back
from sitetest.store.soak_events import DROPOUT_CAUSES, Cause
from sitetest.visit.diagnosis import Answer, Diagnosis
from sitetest.visit.soak.outage_cause import Told, cause_of, told_by

YES, NO, UNKNOWN = Answer.YES, Answer.NO, Answer.UNKNOWN


def back(
    *,
    length_s: float = 5.0,
    refused: bool = False,
    not_taken: bool = False,
    after_sleep: bool = False,
    no_association: bool = False,
) -> Back:
    return Back(1000.0, 1.7e9, length_s, 0.1, True, refused, not_taken, after_sleep, no_association)


@pytest.mark.parametrize(
    ("link", "gateway", "host", "server", "means"),
    [
        (NO, NO, NO, NO, Cause.LINK),
        (NO, UNKNOWN, NO, NO, Cause.LINK),
        (YES, YES, YES, YES, Cause.REFLECTOR),
        (UNKNOWN, UNKNOWN, YES, YES, Cause.REFLECTOR),
        (YES, YES, YES, NO, Cause.SERVER),
        (YES, UNKNOWN, YES, NO, Cause.SERVER),
        (YES, UNKNOWN, UNKNOWN, NO, Cause.SERVER),  # it took the connection and said nothing
        (YES, NO, UNKNOWN, NO, Cause.SERVER),
        (YES, YES, NO, NO, Cause.HOST),
        (YES, NO, NO, NO, Cause.PATH),
        (YES, UNKNOWN, NO, NO, Cause.PATH),  # no gateway to ask: the server is on the laptop's own subnet
        (UNKNOWN, NO, NO, NO, Cause.PATH),
    ],
)
def test_what_one_diagnosis_means(link: Answer, gateway: Answer, host: Answer, server: Answer, means: Cause) -> None:
    assert told_by(Diagnosis(link, gateway, host, server)) is means


@pytest.mark.parametrize(
    ("seen", "told", "cause"),
    [
        # too short for a question
        (back(), {}, Cause.PATH),
        (back(no_association=True), {}, Cause.LINK),
        (back(not_taken=True), {}, Cause.LINK),
        (back(refused=True), {}, Cause.SERVER),
        (back(refused=True, no_association=True), {}, Cause.LINK),
        # asked
        (back(), {Cause.LINK: 1}, Cause.LINK),
        (back(), {Cause.HOST: 2, Cause.PATH: 1}, Cause.HOST),
        (back(), {Cause.PATH: 2, Cause.SERVER: 1}, Cause.PATH),
        (back(), {Cause.PATH: 1, Cause.SERVER: 2}, Cause.SERVER),
        (back(), {Cause.SERVER: 1, Cause.PATH: 1}, Cause.SERVER),  # of equals the first
        (back(refused=True), {Cause.REFLECTOR: 3}, Cause.REFLECTOR),
        (back(refused=True), {Cause.SERVER: 1}, Cause.SERVER),
        (back(no_association=True), {Cause.PATH: 1}, Cause.LINK),
        (back(not_taken=True), {Cause.PATH: 1}, Cause.PATH),  # it had its link when it was asked
        (back(not_taken=True), {Cause.HOST: 1}, Cause.HOST),  # so does a machine that answers no ARP request
        (back(refused=True), {Cause.PATH: 4}, Cause.SERVER),  # its machine restarts, without a gateway to ask
        # not of the network at all
        (back(after_sleep=True), {Cause.LINK: 3}, Cause.SLEEP),
        (back(length_s=0.0), {Cause.PATH: 1}, Cause.LATE),
    ],
)
def test_the_cause_of_an_outage(seen: Back, told: dict[Cause, int], cause: Cause) -> None:
    assert cause_of(seen, told)[0] is cause


@pytest.mark.parametrize(("neighbour", "means"), [(YES, Cause.HOST), (NO, Cause.PATH), (UNKNOWN, Cause.PATH)])
def test_a_gateway_beside_the_server_tells_its_machine_from_the_path(neighbour: Answer, means: Cause) -> None:
    """The server stands on the laptop's own subnet, as in most homes, and was switched off for the night."""
    assert told_by(Diagnosis(YES, UNKNOWN, NO, NO, "wlan0", neighbour)) is means


def test_every_cause_has_a_sentence_of_its_own() -> None:
    """Each cause is reached, and two of them never read alike."""
    reached = [cause_of(back(), {cause: 1}) for cause in Cause if cause not in {Cause.SLEEP, Cause.LATE}]
    reached += [cause_of(back(after_sleep=True), {}), cause_of(back(length_s=0.0), {})]
    assert {cause for cause, _ in reached} == set(Cause)
    assert len({why for _, why in reached}) == len(Cause)


def test_only_link_and_path_are_dropouts() -> None:
    """Sleep of the laptop, the server and its reflector say nothing about the network under test."""
    assert {Cause.LINK, Cause.PATH} == DROPOUT_CAUSES


def test_a_week_of_diagnoses_is_kept_as_counts() -> None:
    told = Told()
    for _ in range(20_000):
        told.add(Diagnosis(YES, NO, NO, NO))
    assert told.add(Diagnosis(YES, YES, YES, NO)) is Cause.SERVER
    assert (dict(told.counts), told.last) == ({Cause.PATH: 20_000, Cause.SERVER: 1}, Cause.SERVER)
