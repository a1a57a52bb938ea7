"""Questions to the person before a run; ``--yes`` asks none.

May import plan.estimate, report, errors and the standard library only.
"""

from collections.abc import Awaitable, Callable, Sequence
from typing import Protocol

from sitetest.errors import UsageError
from sitetest.plan.estimate import Estimate
from sitetest.report.cautions import internet_caution
from sitetest.report.printable import printable

NextLine = Callable[[], Awaitable[str | None]]
Say = Callable[[str], None]


async def choose_ap_configs(names: Sequence[str], next_line: NextLine, say: Say) -> tuple[str, ...]:
    """Ask which AP configs to measure; Enter takes all. Raises UsageError when nobody answers."""
    say("Which AP configs? " + ", ".join(f"{number} {printable(name)}" for number, name in enumerate(names, start=1)))
    say("Numbers or names with commas between them; Enter takes all.")
    answer = await next_line()
    if answer is None:
        raise UsageError(
            "Nobody said which AP configs to measure.",
            "Name one or more with --ap-config, or list them in the profile: matrix.ap_configs.",
        )
    words = [word.strip() for word in answer.split(",") if word.strip()]
    numbered = {str(number): name for number, name in enumerate(names, start=1)}
    return tuple(word if word in names else numbered.get(word, word) for word in words) or tuple(names)


async def agree(question: str, next_line: NextLine, say: Say) -> bool:
    """Ask a question that only ``y`` or ``yes`` agrees to; False also when nobody answers."""
    say(f"{question} [y/N]")
    answer = await next_line()
    return (answer or "").strip().lower() in {"y", "yes"}


class Sayer(Protocol):
    """Where a message is shown."""

    def say(self, text: str) -> None:
        """Show one message."""


async def agree_to_internet_volume(estimate: Estimate, screen: Sayer, next_line: NextLine, *, yes: bool) -> None:
    """Tell what an internet leg moves, and ask whether it may. yes: ask nothing. Raises UsageError when it may not."""
    caution = internet_caution(estimate)
    if not caution:
        return
    screen.say(f"Caution: {caution}")
    if not yes and not await agree("Go on and move that data?", next_line, screen.say):
        raise UsageError(
            "Nothing was measured: the internet leg was not agreed to.", "Measure without it: legs in the profile."
        )


async def agree_to_soak(screen: Sayer, next_line: NextLine) -> None:
    """Ask once whether an unattended soak, whose plan and cautions were told, may begin. Raises UsageError when not."""
    if not await agree("It goes on by itself and asks nothing more. Begin?", next_line, screen.say):
        raise UsageError(
            "Nothing was measured: nobody agreed to the soak.", "Where there is nobody to ask, give --yes beforehand."
        )
