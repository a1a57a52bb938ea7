"""The interface for notebooks: the examples of its document run, and its frames are the tables."""

import re
from pathlib import Path

import pandas as pd
import pytest
from made_site import made_site

from sitetest.cli.main import main
from sitetest.errors import Exit, UsageError
from sitetest.notebook import open_export, open_site
from sitetest.store.export import export
from sitetest.store.fields import ATTEMPT_FIELDS


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    site = made_site(folder / "my-site", night_h=2.0)
    export(site, folder / "tables")
    return folder


def test_the_examples_of_the_document_run(
    folder: Path, repository: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (repository / "docs" / "notebook.md").read_text(encoding="utf-8")
    examples = re.findall(r"```python\n(.*?)```", text, flags=re.DOTALL)
    assert len(examples) == 6
    monkeypatch.chdir(folder)
    names: dict[str, object] = {}
    for example in examples:
        exec(compile(example, "docs/notebook.md", "exec"), names)
    assert capsys.readouterr().out.startswith("basement ")


def test_frames_have_the_types_and_units_of_the_registry_wherever_they_come_from(folder: Path) -> None:
    site = open_site(folder / "my-site").attempts
    assert list(site) == [field.name for field in ATTEMPT_FIELDS]
    assert str(site.started_at.dtype).startswith("datetime64")
    assert site.started_at.dt.tz is not None
    kinds = [str(site[name].dtype) for name in ("turn", "counted", "throughput_mbps")]
    assert kinds == ["Int64", "boolean", "float64"]
    assert site.attrs["units"]["throughput_mbps"] == "Mbit/s"
    for table in (folder / "tables", folder / "tables" / "attempts.csv", folder / "tables" / "attempts.parquet"):
        pd.testing.assert_frame_equal(open_export(table).attempts, site, check_dtype=True)
    both = open_site(folder / "my-site"), open_export(folder / "tables")
    for name in ("seconds", "observations", "watch_seconds", "events"):
        ours, theirs = (getattr(one, name) for one in both)
        assert len(ours) > 0
        pd.testing.assert_frame_equal(ours, theirs)


def test_it_compares_as_the_command_does(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import json

    site = folder / "my-site"
    arguments = ["compare", "--factor", "ap_config", "auto", "wide80", "--site", str(site), "--where", "visit_kind=run"]
    assert main([*arguments, "--json"]) == Exit.DONE
    told = json.loads(capsys.readouterr().out)["comparisons"]
    ours = open_site(site).compare("ap_config", "auto", "wide80", where={"visit_kind": "run"})
    assert json.loads(json.dumps(ours.document["comparisons"])) == told
    assert list(ours.pairs.verdict) == [pair["verdict"] for pair in told]


def test_what_is_not_there_is_said(tmp_path: Path, folder: Path) -> None:
    with pytest.raises(UsageError, match="does not exist"):
        open_site(tmp_path)
    with pytest.raises(UsageError, match=r"neither attempts\.parquet nor attempts\.csv"):
        open_export(tmp_path)
    with pytest.raises(UsageError, match="no table 'events'"):
        _ = open_export(folder / "tables" / "attempts.csv").events
    with pytest.raises(UsageError, match="two or more"):
        open_site(folder / "my-site").compare("ap_config", "auto")
