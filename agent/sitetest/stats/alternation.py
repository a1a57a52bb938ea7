"""Whether two configurations took turns, and what the data are worth when they did not.

    A BB AA BB A    alternates: four turns each
    AAAA BBBB       does not: what came between the two stretches is as good an explanation as the configurations
                    are, so this is one turn each
    AAA BBB AAA BBB taken as A B A B

Pure; a sequence is a text of the letters A and B in the order in which the turns ran. May import the standard library.
"""

from itertools import groupby

LONGEST_STRETCH = 3
"""Turns in a row that an alternating order can show: the two in the middle of A B B A, and one more where a turn was
lost or made good at the end of its quad."""


def stretches(sequence: str) -> list[tuple[str, int]]:
    """Return the stretches of equal letters with their lengths, in order."""
    return [(letter, len(list(same))) for letter, same in groupby(sequence)]


def alternates(sequence: str) -> bool:
    """Return whether A and B alternate: one of them comes back, each at least every second turn, and no stretch is
    longer than 3. A single turn of each has nothing to come back to. False when one of them is missing.
    """
    runs = stretches(sequence)
    if len(runs) < 2 or max(length for _, length in runs) > LONGEST_STRETCH:
        return False
    if len(runs) == 2:
        return len(sequence) == 2
    return all(2 * sum(letter == each for letter, _ in runs) >= sequence.count(each) for each in "AB")
