"""What a monitor is told: 200 where all is well, else 503 with the part that is not."""

import datetime as dt
from types import SimpleNamespace

import pytest
from django.db import OperationalError, connection

from linelog.web import health
from linelog.web.models import WorkerBeat
from tests import factories

NOW = factories.NOW


@pytest.fixture
def alive(db):
    health.beat(name="worker", at=dt.datetime.now(dt.UTC))


def test_all_well(client, alive):
    answer = client.get("/health")
    assert answer.status_code == 200
    told = answer.json()
    assert told["ok"] is True
    assert {name: part["ok"] for name, part in told.items() if name != "ok"} == {
        "database": True,
        "worker": True,
        "disk": True,
        "nightly": True,
    }
    assert "no-store" in answer["Cache-Control"]


@pytest.mark.django_db
def test_without_a_worker_it_is_503(client):
    answer = client.get("/health")
    assert (answer.status_code, answer.json()["worker"]["says"]) == (503, "no sign of life")


@pytest.mark.django_db
def test_a_worker_is_silent_after_a_minute_and_forgotten_after_a_day():
    health.beat(name="old", at=NOW - dt.timedelta(days=2))
    health.beat(name="worker", at=NOW)
    assert health.worker(NOW + dt.timedelta(seconds=60)).ok
    assert not health.worker(NOW + dt.timedelta(seconds=61)).ok
    assert [beat.name for beat in WorkerBeat.objects.all()] == ["worker"]


def test_with_the_database_gone_it_is_503_and_not_an_error_page(client, alive, monkeypatch):
    def gone(*args, **kwargs):
        raise OperationalError("gone")

    with monkeypatch.context() as patch:
        patch.setattr(connection, "cursor", gone)
        answer = client.get("/health")
    assert answer.status_code == 503
    assert answer.json()["database"] == {"ok": False, "says": "does not answer"}


def test_with_the_disk_almost_full_it_is_503(client, alive, monkeypatch):
    monkeypatch.setattr(health.shutil, "disk_usage", lambda folder: SimpleNamespace(free=12_000_000))
    answer = client.get("/health")
    assert (answer.status_code, answer.json()["disk"]) == (503, {"ok": False, "says": "12 MB free"})


def test_a_data_folder_that_is_not_there_is_told(tmp_path):
    assert not health.disk(tmp_path / "nowhere").ok


def test_robots_are_asked_to_keep_out(client):
    assert client.get("/robots.txt").content == b"User-agent: *\nDisallow: /\n"
