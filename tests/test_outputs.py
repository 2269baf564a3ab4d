"""Outputs: all of a folder's results or none of them."""

from __future__ import annotations

import pytest

from patchstats.outputs import finished_whole
from patchstats.remarks import OutputError


def test_failing_leaves_nothing(tmp_path):
    with pytest.raises(RuntimeError), finished_whole(tmp_path / "output") as workplace:
        (workplace / "index.html").write_text("half")
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []


def test_failing_leaves_the_last_results_alone(tmp_path):
    with finished_whole(tmp_path) as workplace:
        (workplace / "charts").mkdir()
        (workplace / "charts" / "a.svg").write_text("first")
    with pytest.raises(RuntimeError), finished_whole(tmp_path) as workplace:
        (workplace / "charts").mkdir()
        (workplace / "charts" / "a.svg").write_text("second, half")
        raise RuntimeError
    assert [p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*")] == ["charts", "charts/a.svg"]
    assert (tmp_path / "charts" / "a.svg").read_text() == "first"


def test_output_that_cannot_be_written(tmp_path):
    (tmp_path / "file").write_text("no folder")
    with pytest.raises(OutputError, match=r"cannot be written \(.+\): name another one\.$"), \
            finished_whole(tmp_path / "file"):
        pass
