"""A write that a tablet sends twice is stored once, also at the same moment."""

import threading

import pytest
from django.db import connection

from linelog.web import writes
from linelog.web.errors import Refused
from linelog.web.models import Job, WriteKey
from tests import factories

NOW = factories.NOW
KEY = "3f0e-one-tablet-one-write"


def store(by, key=KEY, content="a", answer=None, boom=False):
    def write():
        Job.objects.create(kind=content, created_at=NOW)
        if boom:
            raise Refused("No.")
        return answer if answer is not None else {"stored": Job.objects.count()}

    return writes.once(by=by, key=key, content={"value": content}, at=NOW, write=write)


@pytest.mark.django_db
def test_sent_twice_it_is_stored_once_and_answered_the_same():
    by = factories.person()
    assert store(by) == {"stored": 1}
    assert store(by) == {"stored": 1}
    assert Job.objects.count() == 1


@pytest.mark.django_db
def test_the_same_key_with_other_content_is_refused_and_changes_nothing():
    by = factories.person()
    store(by)
    with pytest.raises(Refused, match="other content"):
        store(by, content="b")
    assert [job.kind for job in Job.objects.all()] == ["a"]


@pytest.mark.django_db
def test_two_people_may_use_the_same_key():
    store(factories.person())
    store(factories.person())
    assert Job.objects.count() == 2


@pytest.mark.django_db
def test_without_a_key_every_write_counts():
    by = factories.person()
    store(by, key="")
    store(by, key="")
    assert (Job.objects.count(), WriteKey.objects.count()) == (2, 0)


@pytest.mark.django_db(transaction=True)
def test_a_write_that_fails_leaves_neither_itself_nor_its_key_so_that_it_can_be_sent_again():
    by = factories.person()
    with pytest.raises(Refused):
        store(by, boom=True)
    assert (Job.objects.count(), WriteKey.objects.count()) == (0, 0)
    assert store(by) == {"stored": 1}


@pytest.mark.django_db(transaction=True)
def test_sent_twice_at_the_same_moment_it_is_stored_once():
    """Eight threads, each with its own connection, send the same write while the first is still at it."""
    by = factories.person()
    answers, start = [], threading.Barrier(8)

    def write():
        job = Job.objects.create(kind="a", created_at=NOW)
        threading.Event().wait(0.1)
        return {"job": job.pk}

    def send():
        start.wait()
        try:
            answers.append(writes.once(by=by, key=KEY, content="a", at=NOW, write=write))
        finally:
            connection.close()

    threads = [threading.Thread(target=send) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert Job.objects.count() == 1
    assert answers == [{"job": Job.objects.get().pk}] * 8
