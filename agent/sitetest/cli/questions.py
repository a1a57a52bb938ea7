"""Questions to the person before a run; ``--yes`` asks none. May import report, errors and the standard library."""

from collections.abc import Awaitable, Callable, Sequence

from sitetest.errors import UsageError
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
