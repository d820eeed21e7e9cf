"""Who follows a change is told in the transaction that makes it, and of nothing else."""

import pytest
from django.db import transaction

from linelog.plant.models import Plant
from linelog.web import followers
from tests import factories


@pytest.fixture
def heard(monkeypatch):
    monkeypatch.setattr(followers, "_followers", {})
    told = []
    followers.follow("one", told.append)
    followers.follow("one", told.append)
    return told


def test_a_follower_hears_once_what_it_follows(heard):
    followers.tell("one", plant_id=3, machines=[7, 7, 8], at=factories.NOW)
    followers.tell("another", plant_id=3, machines=[9], at=factories.NOW)
    assert heard == [followers.Change("one", 3, frozenset({7, 8}), factories.NOW)]


def test_a_change_that_cannot_be_noted_is_not_made(monkeypatch, db):
    """So no note is ever lost: the change goes back with it, and the person is told."""
    monkeypatch.setattr(followers, "_followers", {})

    def breaks(change):
        raise OSError("no room")

    followers.follow("one", breaks)

    @transaction.atomic
    def change():
        plant = factories.plant(name="Half made")
        followers.tell("one", plant_id=plant.pk, machines=[1], at=factories.NOW)

    with pytest.raises(OSError, match="no room"):
        change()
    assert not Plant.objects.filter(name="Half made").exists()
