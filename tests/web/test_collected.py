"""The static files are collected once, and again only where a source has changed."""

import os

import pytest

from linelog.web import collected


@pytest.fixture
def sources(settings, tmp_path, monkeypatch):
    folder = tmp_path / "sources"
    folder.mkdir()
    (folder / "one.css").write_text("a{}")
    settings.STATICFILES_DIRS = [folder]
    settings.STATICFILES_FINDERS = ["django.contrib.staticfiles.finders.FileSystemFinder"]
    settings.STATIC_ROOT = tmp_path / "served"
    return folder


def test_it_is_collected_once(sources, settings):
    assert collected.collect_if_changed()
    assert (settings.STATIC_ROOT / "one.css").read_text() == "a{}"
    assert not collected.collect_if_changed()


@pytest.mark.parametrize(
    "change",
    [
        lambda folder: (folder / "one.css").write_text("abc{}"),
        lambda folder: (folder / "two.css").write_text("b{}"),
        lambda folder: (folder / "one.css").rename(folder / "three.css"),
        lambda folder: os.utime(folder / "one.css", (1, 1)),
    ],
)
def test_a_changed_a_new_and_a_renamed_file_are_collected(sources, change):
    collected.collect_if_changed()
    change(sources)
    assert collected.collect_if_changed()


def test_a_collection_that_broke_off_is_made_again(sources, monkeypatch):
    collected.collect_if_changed()
    (sources / "one.css").write_text("abc{}")
    with monkeypatch.context() as broken:
        broken.setattr(collected, "call_command", lambda *a, **k: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            collected.collect_if_changed()
    (sources / "one.css").write_text("a{}")
    assert collected.collect_if_changed()
