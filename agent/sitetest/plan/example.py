"""The example site: what `sitetest new DIR` writes. Its files lie beside this module, in `example/`.

May import sitetest.errors, plan.mistakes and the standard library only.
"""

from importlib.resources import files
from pathlib import Path

from sitetest.errors import UsageError
from sitetest.plan.mistakes import escaped


def example_texts() -> dict[str, str]:
    """Return the text of every file of the example site by its name, the one to read first in front."""
    texts = {file.name: file.read_text(encoding="utf-8") for file in (files(__package__) / "example").iterdir()}
    first = [name for name in ("site.toml", "base.toml") if name in texts]
    return {name: texts[name] for name in [*first, *sorted(set(texts) - set(first))]}


def write_example(directory: Path) -> list[Path]:
    """Write the example's files into ``directory``/profiles and return them, the first one to read first.

    Raises UsageError, before anything is written, when one of the files is there already; and when the folder cannot
    be written to.
    """
    folder = directory / "profiles"
    texts = {folder / name: text for name, text in example_texts().items()}
    try:
        present = [file for file in texts if file.exists() or file.is_symlink()]
        if present:
            raise UsageError(
                f"{escaped(str(folder))} holds {', '.join(file.name for file in present)} already; nothing was written",
                "Give a folder that does not exist yet, or an empty one.",
            )
        folder.mkdir(parents=True, exist_ok=True)
        for file, text in texts.items():
            with file.open("x", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
    except (OSError, ValueError) as problem:  # ValueError: a NUL in the path
        reason = getattr(problem, "strerror", None) or problem
        raise UsageError(f"{escaped(str(folder))}: the example cannot be written there: {reason}") from problem
    return list(texts)
