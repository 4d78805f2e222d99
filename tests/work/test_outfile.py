"""Files for people are written whole or not at all."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from qualrec.errors import Refused, UsageError
from qualrec.work import outfile

ENDINGS = (".xlsx", ".pdf")


def write(part: Path) -> None:
    part.write_bytes(b"whole")


def fail(part: Path) -> None:
    part.write_bytes(b"ha")
    raise OSError(28, "No space left on device")


def test_a_file_appears_whole(tmp_path: Path) -> None:
    to = tmp_path / "Ü report.PDF"
    assert outfile.put(to, write, ENDINGS) == hashlib.sha256(b"whole").hexdigest()
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"whole"]


def test_a_failure_leaves_the_place_as_it_was(tmp_path: Path) -> None:
    to = tmp_path / "report.pdf"
    with pytest.raises(Refused, match="No space left on device"):
        outfile.put(to, fail, ENDINGS)
    assert not list(tmp_path.iterdir())
    to.write_bytes(b"old")
    with pytest.raises(Refused, match="already there; nothing was written"):
        outfile.put(to, write, ENDINGS)
    with pytest.raises(Refused, match="No space left on device"):
        outfile.put(to, fail, ENDINGS, replace=True)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"old"]
    outfile.put(to, write, ENDINGS, replace=True)
    assert to.read_bytes() == b"whole"


def test_a_place_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "folder.pdf").mkdir()
    for to, words in (
        (tmp_path / "report.doc", r"must end in \.xlsx or \.pdf"),
        (tmp_path / "report", r"must end in \.xlsx or \.pdf"),
        (tmp_path / "none" / "report.pdf", "no such folder"),
        (tmp_path / "folder.pdf", "is a folder"),
    ):
        with pytest.raises(UsageError, match=words):
            outfile.check_place(to, ENDINGS, replace=True)
