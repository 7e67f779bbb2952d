"""Copies of pages in a folder: complete, unchanged ones not rewritten, files of others never touched."""

import os
import stat
from contextlib import nullcontext
from pathlib import Path

import pytest

from transforms.operations import publish as publishing
from transforms.operations.alarms import UNPUBLISHED, publish_alarms
from transforms.operations.publish import Publication, find_fault, publish


class Pages:
    """A workspace's pages and the folder they are published to."""

    def __init__(self, root: Path) -> None:
        self.out, self.folder, self.record = root / "w" / "out", root / "site", root / "w" / "published.json"
        for folder in (self.out, self.folder):
            folder.mkdir(parents=True)

    def write(self, **texts: str) -> None:
        for name, text in texts.items():
            path = self.out / f"{name.replace('__', '/')}.html"
            path.parent.mkdir(exist_ok=True)
            path.write_text(text)

    def publish(self) -> Publication:
        files = {p.relative_to(self.out).as_posix(): p for p in self.out.rglob("*.html")}
        return publish(files, self.folder, self.record)

    def there(self) -> dict[str, str]:
        return {p.relative_to(self.folder).as_posix(): p.read_text() for p in self.folder.rglob("*") if p.is_file()}


@pytest.fixture
def pages(tmp_path) -> Pages:
    return Pages(tmp_path)


def code(done: Publication) -> str | None:
    return done.fault.code if done.fault else None


def test_pages_and_those_of_subfolders_are_copied_and_unchanged_ones_are_not_written_again(pages):
    pages.write(index="i", shift="s", growers__g="g")
    first = pages.publish()
    assert (first.pages, first.copied, first.removed, first.fault) == (3, 3, 0, None)
    assert pages.there() == {"index.html": "i", "shift.html": "s", "growers/g.html": "g"}
    before = {p: p.stat().st_ino for p in pages.folder.rglob("*.html")}
    pages.write(shift="t")
    assert pages.publish().copied == 1
    after = {p: p.stat().st_ino for p in pages.folder.rglob("*.html")}
    assert [p.name for p in after if after[p] != before[p]] == ["shift.html"]
    assert pages.there()["shift.html"] == "t"


def test_a_copy_that_was_deleted_there_is_copied_again(pages):
    pages.write(index="i", shift="s")
    pages.publish()
    (pages.folder / "shift.html").unlink()
    assert pages.publish().copied == 1
    assert pages.there()["shift.html"] == "s"


def test_a_page_that_no_longer_exists_is_removed_there_with_its_empty_folder(pages):
    pages.write(index="i", growers__g="g")
    pages.publish()
    (pages.out / "growers" / "g.html").unlink()
    assert pages.publish().removed == 1
    assert pages.there() == {"index.html": "i"}
    assert not (pages.folder / "growers").exists()


def test_files_of_others_are_neither_replaced_nor_removed(pages):
    pages.write(index="i", shift="s")
    (pages.folder / "shift.html").write_text("theirs")
    (pages.folder / "notes.txt").write_text("theirs")
    done = pages.publish()
    assert (code(done), done.pages, done.copied) == ("foreign_files", 1, 1)
    assert pages.there() == {"index.html": "i", "shift.html": "theirs", "notes.txt": "theirs"}
    (pages.out / "shift.html").unlink()
    assert pages.publish().removed == 0
    assert pages.there()["shift.html"] == "theirs"


@pytest.mark.parametrize("is_removed", [False, True])
def test_a_copy_that_others_have_changed_is_theirs(pages, is_removed):
    pages.write(index="i", shift="s")
    pages.publish()
    (pages.folder / "shift.html").write_text("changed")
    if is_removed:
        (pages.out / "shift.html").unlink()
    else:
        pages.write(shift="t")
    assert code(pages.publish()) == (None if is_removed else "foreign_files")
    assert pages.there()["shift.html"] == "changed"


def test_a_link_of_others_is_not_followed(pages, tmp_path):
    secret = tmp_path / "secret"
    secret.write_text("s")
    (pages.folder / "shift.html").symlink_to(secret)
    pages.write(shift="s")
    assert code(pages.publish()) == "foreign_files"
    assert secret.read_text() == "s"
    assert (pages.folder / "shift.html").is_symlink()


def test_a_run_that_dies_while_copying_is_completed_by_the_next(pages, monkeypatch):
    pages.write(index="i", shift="s")
    pages.publish()
    pages.write(index="j", shift="t", season="r")
    copy = publishing._copy

    def die(source: Path, target: Path, folder: Path) -> None:
        copy(source, target, folder)
        if target.name == "season.html":
            raise KeyboardInterrupt

    monkeypatch.setattr(publishing, "_copy", die)
    with pytest.raises(KeyboardInterrupt):
        pages.publish()
    monkeypatch.undo()
    (pages.out / "season.html").unlink()
    done = pages.publish()
    assert done.fault is None
    assert pages.there() == {"index.html": "j", "shift.html": "t"}


@pytest.mark.parametrize("died", [KeyboardInterrupt, OSError(28, "no space")])
def test_a_crash_in_the_middle_of_copying_leaves_the_old_file_whole(pages, monkeypatch, died):
    pages.write(index="old " * 500)
    pages.publish()
    pages.write(index="new " * 900)
    seen = []

    def copy_half(source: Path, target: Path) -> None:
        text = Path(source).read_bytes()
        Path(target).write_bytes(text[: len(text) // 2])
        seen.append((pages.folder / "index.html").read_text())
        raise died

    monkeypatch.setattr("transforms.operations.publish.shutil.copyfile", copy_half)
    with pytest.raises(KeyboardInterrupt) if died is KeyboardInterrupt else nullcontext():
        assert code(pages.publish()) == "full"
    monkeypatch.undo()
    assert seen == ["old " * 500]
    assert pages.there()["index.html"] == "old " * 500
    assert pages.publish().fault is None
    assert pages.there() == {"index.html": "new " * 900}


def test_a_missing_an_unmounted_and_an_unwritable_folder_are_reported(pages, monkeypatch):
    pages.write(index="i")
    pages.publish()
    away = pages.folder.rename(pages.folder.with_name("away"))
    assert code(pages.publish()) == "missing"
    pages.folder.mkdir()
    assert code(pages.publish()) == "unmounted"
    assert pages.there() == {}
    pages.folder.rmdir()
    away.rename(pages.folder)
    assert pages.publish() == Publication(pages.folder, 1)
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert code(pages.publish()) == "not_writable"
    assert find_fault(pages.folder, pages.record) == pages.publish().fault


@pytest.mark.parametrize(("number", "expected"), [(13, "not_writable"), (28, "full"), (5, "failed")])
def test_an_error_while_copying_is_reported_and_raises_an_alarm(pages, monkeypatch, number, expected):
    def fail(*_):
        raise OSError(number, "no")

    pages.write(index="i")
    monkeypatch.setattr(publishing, "_copy", fail)
    done = pages.publish()
    assert code(done) == expected
    assert [(a.kind, a.subject, a.is_of_data) for a in publish_alarms(done)] == [
        (UNPUBLISHED, str(pages.folder), False)
    ]


def test_no_alarm_is_raised_if_all_is_published_or_nothing_is_to_be(pages):
    pages.write(index="i")
    assert publish_alarms(pages.publish()) == publish_alarms(None) == []


def test_a_damaged_record_loses_no_file(pages):
    pages.write(index="i", shift="s")
    pages.publish()
    pages.record.write_text('{"folder": 1, "files": [2]}')
    pages.write(shift="t")
    assert code(pages.publish()) == "foreign_files"
    assert pages.there() == {"index.html": "i", "shift.html": "s"}


@pytest.mark.parametrize(("folder", "file"), [(0o755, 0o644), (0o770, 0o660), (0o700, 0o600)])
def test_whoever_may_read_the_folder_may_read_the_pages(pages, folder, file):
    pages.folder.chmod(folder)
    pages.write(index="i", growers__g="g")
    pages.publish()
    assert stat.S_IMODE((pages.folder / "index.html").stat().st_mode) == file
    assert stat.S_IMODE((pages.folder / "growers").stat().st_mode) == folder
