"""The order in which AP configs are applied, without end: drift must favour nobody, so every order is run together with
its mirror.

    two AP configs     A B B A or B A A B, as the seed says, again and again (a quad)
    more of them       a permutation that the seed chooses, then the same in reverse
    one                turn after turn

Pure. May import the standard library only.
"""

from collections.abc import Iterator, Sequence
from itertools import count
from random import Random


def turn_order(ap_configs: Sequence[str], seed: int) -> Iterator[tuple[int, str]]:
    """Yield the quad, from 1 on, and the AP config of every turn. The same arguments yield the same order."""
    random = Random(seed)  # noqa: S311  an order that anybody may repeat, not a secret
    for quad in count(1):
        half = list(ap_configs) if len(ap_configs) == 1 else random.sample(ap_configs, len(ap_configs))
        mirror = [] if len(ap_configs) == 1 else half[::-1]
        for ap_config in [*half, *mirror]:
            yield quad, ap_config
