"""Whether two configurations took turns, and what the data are worth when they did not.

    A BB AA BB A    alternates: four turns each
    AAAA BBBB       does not: what came between the two stretches is as good an explanation as the configurations
                    are, so this is one turn each
    AAA BBB AAA BBB taken as A B A B

Pure; a sequence is a text of the letters A and B in the order in which the turns ran. May import the standard library
only.
"""

LONGEST_STRETCH = 3
"""Turns in a row that an alternating order can show: the two in the middle of A B B A, and one more where a turn was
lost or made good at the end of its quad."""


def alternates(sequence: str) -> bool:
    """Return whether A and B alternate: one of them comes back, each at least every second turn, and no stretch is
    longer than 3. A single turn of each has nothing to come back to. False when one of them is missing.
    """
    if any(letter * (LONGEST_STRETCH + 1) in sequence for letter in "AB"):
        return False
    stretches = {letter: _stretches(sequence, letter) for letter in "AB"}
    if sum(stretches.values()) <= 2:
        return sequence in ("AB", "BA")
    return all(2 * count >= sequence.count(letter) for letter, count in stretches.items())


def _stretches(sequence: str, letter: str) -> int:
    """Return how often a stretch of ``letter`` begins."""
    other = "B" if letter == "A" else "A"
    return sequence.count(other + letter) + sequence.startswith(letter)


def counted_turns(sequence: str) -> int | None:
    """Return how many turns, from the first on, alternate; None when they do not. Small letters are lost turns.

    Turns at the end by which one of them outnumbers the other are left out when the two alternate without them: they
    belong to another comparison of the same visit, that went on.
    """
    if alternates(_there(sequence)):
        return len(sequence)
    end = _matched(sequence)
    return end if alternates(_there(sequence[:end])) else None


def _there(sequence: str) -> str:
    return sequence.replace("a", "").replace("b", "")


def _matched(sequence: str) -> int:
    """Return how many turns are left without those at the end by which one side outnumbers the other."""
    surplus = sequence.count("A") - sequence.count("B")
    end = len(sequence)
    while end:
        last = sequence[end - 1]
        if last in "AB" and (surplus if last == "A" else -surplus) <= 0:
            break
        surplus -= {"A": 1, "B": -1}.get(last, 0)
        end -= 1
    return end
