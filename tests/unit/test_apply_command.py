"""Apply commands: no shell, bounded, their output kept, nothing left behind."""

import asyncio
import os
import shlex
import sys
from pathlib import Path

import psutil
import pytest

from sitetest.errors import ProfileError
from sitetest.visit.child_process import MAX_OUTPUT_BYTES, TAIL_CHARACTERS, run_command
from sitetest.visit.protocols import Applied
from sitetest.visit.switch import CommandSwitch, split_command

PYTHON = sys.executable


def python(code: str) -> list[str]:
    return [PYTHON, "-S", "-c", code]


async def test_a_command_that_works_has_no_problem_and_its_output_is_kept() -> None:
    """What an access point answers is worth keeping when all is well, too."""
    told = await CommandSwitch({"auto": python("print('channel 36')")}).apply("auto", asyncio.Event())
    assert told == Applied(problem=None, output="channel 36")


async def test_a_command_that_fails_is_told_with_code_and_output() -> None:
    """Both streams, in the words that a person will look for."""
    code = "import sys; print('channel'); print('not allowed', file=sys.stderr); sys.exit(3)"
    told = await CommandSwitch({"auto": python(code)}).apply("auto", asyncio.Event())
    assert told.problem is not None
    assert "ended with exit code 3" in told.problem
    assert "channel" in told.problem
    assert "not allowed" in told.problem
    assert "not allowed" in told.output


async def test_only_the_tail_of_long_output_is_kept() -> None:
    """The end says why it failed."""
    finished = await run_command(python("print('x' * 5000 + 'the reason')"), 10)
    assert finished.worked
    assert len(finished.output) == TAIL_CHARACTERS
    assert finished.output.endswith("the reason")


async def test_no_shell_ever_sees_the_command(tmp_path: Path) -> None:
    """A semicolon, a variable and a wildcard are plain text to the program."""
    seen = tmp_path / "seen"
    code = f"import sys; open({str(seen)!r}, 'w').write('|'.join(sys.argv[1:]))"
    command = f"{PYTHON} -S -c {_quoted(code)} ; touch $HOME * 'two words'"
    assert (await CommandSwitch({"auto": command}).apply("auto", asyncio.Event())).problem is None
    assert seen.read_text() == ";|touch|$HOME|*|two words"


def _quoted(text: str) -> str:
    return shlex.quote(text)


async def test_a_program_that_is_not_there_is_told_not_raised() -> None:
    """The turn is lost, not the visit."""
    told = await CommandSwitch({"auto": ["no-such-program-here"]}).apply("auto", asyncio.Event())
    assert told.problem is not None
    assert "no-such-program-here cannot be started" in told.problem


async def test_an_ap_config_without_a_command_is_told() -> None:
    """What, where, and which."""
    assert await CommandSwitch({}).apply("wide80", asyncio.Event()) == Applied(
        "AP config 'wide80' has no apply command in site.toml"
    )


def writing_pids(tmp_path: Path) -> tuple[Path, list[str]]:
    """A script that starts a child of its own and would run for ever."""
    pids = tmp_path / "pids"
    script = f'sleep 600 & echo "$$ $!" > "{pids}.new"; mv "{pids}.new" "{pids}"; echo working; wait'
    return pids, ["sh", "-c", script]


async def _gone(pid: int) -> bool:
    """Dead or a zombie that init has yet to collect."""
    for _ in range(200):
        try:
            if psutil.Process(pid).status() == psutil.STATUS_ZOMBIE:
                return True
        except psutil.NoSuchProcess:
            return True
        await asyncio.sleep(0.01)
    return False


async def _written(pids: Path) -> list[int]:
    async with asyncio.timeout(20):
        while not pids.exists():  # noqa: ASYNC110, ASYNC240 - another process writes it; one stat on tmp_path
            await asyncio.sleep(0.01)
    return [int(pid) for pid in pids.read_text().split()]  # noqa: ASYNC240 - two numbers on tmp_path


@pytest.mark.skipif(os.name != "posix", reason="process groups are POSIX")
@pytest.mark.parametrize("how", [pytest.param("timeout", marks=pytest.mark.slow), "stop", "cancelled"])
async def test_a_command_that_hangs_is_ended_with_its_children(tmp_path: Path, how: str) -> None:
    """Whatever ends it: nothing may go on changing the access point behind the visit's back."""
    pids, command = writing_pids(tmp_path)
    stop = asyncio.Event()
    limits = {"auto": 2.0} if how == "timeout" else {}
    task = asyncio.create_task(CommandSwitch({"auto": command}, limits).apply("auto", stop))
    running = await _written(pids)
    if how == "stop":
        stop.set()
    if how == "cancelled":
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
    else:
        told = await task
        assert told.problem is not None
        assert ("not over after 2 s" if how == "timeout" else "the run is being stopped") in told.problem
    assert [await _gone(pid) for pid in running] == [True, True]


async def test_endless_output_is_ended() -> None:
    """Memory is not endless."""
    finished = await run_command(python("import sys\nwhile True: sys.stdout.write('x' * 65536)"), 30)
    assert finished.problem == f"it said more than {MAX_OUTPUT_BYTES} bytes and was ended"
    assert not finished.worked


@pytest.mark.parametrize("command", ["'open", "", "   ", [], [""]])
def test_what_is_no_command_is_refused_before_anything_runs(command: str | list[str]) -> None:
    """File, key and AP config stand in the message."""
    with pytest.raises(ProfileError, match=r"site.toml: apply of AP config 'auto'"):
        split_command("auto", command)
