"""The people pages as a browser meets them."""

import pytest
from django.contrib.auth.hashers import check_password, make_password
from django.test import Client

from linelog.plant.models import Person
from tests import factories

pytestmark = pytest.mark.django_db
GOOD = "rusty-kettle-77"
OWN = factories.PASSWORD


@pytest.fixture
def manager():
    return factories.person("manager")


@pytest.fixture
def mechanic(manager):
    return factories.person("mechanic", manager.plant)


@pytest.fixture
def keeper(signed_in, manager):
    return signed_in(manager)


def filled(**more):
    return {"first_name": "Ana", "last_name": "Berg", "role": "mechanic", "unit": "mm", **more}


def test_the_list_holds_the_plants_people_and_no_administrator(keeper, manager, mechanic):
    factories.person("administrator", manager.plant, username="boss-here")
    factories.person("mechanic", username="elsewhere")
    text = keeper.get("/people/").content.decode()
    assert mechanic.username in text
    assert "boss-here" not in text
    assert "elsewhere" not in text


def test_adding_leads_to_the_person_and_an_administrator_is_no_choice(keeper, manager):
    assert 'value="administrator"' not in keeper.get("/people/add/").content.decode()
    answer = keeper.post("/people/add/", filled(username="ana", password=GOOD))
    made = Person.objects.get(username="ana")
    assert answer["Location"] == f"/people/{made.pk}/"
    assert (made.plant, made.role, made.unit) == (manager.plant, "mechanic", "mm")
    keeper.post("/sign-out/")
    answer = keeper.post("/sign-in/", {"username": "ana", "password": GOOD})
    assert answer.status_code == 302


def test_a_manager_who_forges_the_form_gives_no_administrator_and_no_other_plant(keeper, manager):
    forged = filled(username="ana", password=GOOD, role="administrator")
    assert keeper.post("/people/add/", forged).status_code == 422
    other = factories.plant()
    keeper.post(
        "/people/add/", filled(username="ana", password=GOOD, plant=other.pk, is_superuser="on", is_staff="on")
    )
    made = Person.objects.get(username="ana")
    assert (made.plant, made.is_superuser, made.is_staff) == (manager.plant, False, False)


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("username", "", "required"),
        ("username", "with space", "valid username"),
        ("first_name", "", "required"),
        ("first_name", "x" * 151, "150"),
        ("first_name", "nul\x00", "Null"),
        ("role", "king", "valid choice"),
        ("unit", "furlong", "valid choice"),
        ("password", "short", "too short"),
        ("password", "", "required"),
    ],
)
def test_bad_input_is_told_beside_its_field_and_adds_nobody(keeper, field, value, says):
    before = Person.objects.count()
    answer = keeper.post("/people/add/", {**filled(username="ana", password=GOOD), field: value})
    assert answer.status_code == 422
    assert says in " ".join(answer.context["form"].errors[field])
    assert Person.objects.count() == before
    assert GOOD not in answer.content.decode()


def test_an_administrator_chooses_the_plant(signed_in):
    client = signed_in(factories.person("administrator"))
    plant = factories.plant()
    client.post("/people/add/", filled(username="ana", password=GOOD, plant=plant.pk))
    assert Person.objects.get(username="ana").plant == plant
    answer = client.post("/people/add/", filled(username="bea", password=GOOD))
    assert "Choose the plant" in answer.content.decode()


def test_changing_a_person(keeper, mechanic):
    given = filled(first_name="Eva", role="quality", is_active="on", version=1)
    assert keeper.post(f"/people/{mechanic.pk}/", given).status_code == 302
    mechanic.refresh_from_db()
    assert (mechanic.first_name, mechanic.role, mechanic.version) == ("Eva", "quality", 2)


def test_a_stale_form_is_409_shows_both_and_can_be_sent_again(keeper, mechanic):
    keeper.post(f"/people/{mechanic.pk}/", filled(first_name="First", is_active="on", version=1))
    answer = keeper.post(f"/people/{mechanic.pk}/", filled(first_name="Second", is_active="on", version=1))
    text = answer.content.decode()
    assert answer.status_code == 409
    assert "First" in text
    assert 'value="Second"' in text
    assert 'name="version" value="2"' in text
    assert (
        keeper.post(f"/people/{mechanic.pk}/", filled(first_name="Second", is_active="on", version=2)).status_code
        == 302
    )


@pytest.mark.parametrize("version", ["", "x", "-1", "0", "9" * 30])
def test_a_version_that_is_none_is_422(keeper, mechanic, version):
    assert keeper.post(f"/people/{mechanic.pk}/", filled(is_active="on", version=version)).status_code == 422


def test_shut_out_a_person_is_out_at_once(keeper, mechanic, client):
    theirs = Client()
    theirs.force_login(mechanic)
    assert theirs.get("/people/me/").status_code == 200
    keeper.post(f"/people/{mechanic.pk}/", filled(version=1))
    assert theirs.get("/people/me/")["Location"].startswith("/sign-in/")


def test_a_new_password_needs_ones_own_and_ends_the_others_sessions(keeper, mechanic):
    theirs = Client()
    theirs.force_login(mechanic)
    url = f"/people/{mechanic.pk}/password/"
    wrong = keeper.post(url, {"password": GOOD, "own_password": "not mine"})
    assert wrong.status_code == 422
    assert "not your password" in wrong.content.decode()
    assert theirs.get("/people/me/").status_code == 200
    assert keeper.post(url, {"password": GOOD, "own_password": OWN}).status_code == 302
    mechanic.refresh_from_db()
    assert check_password(GOOD, mechanic.password)
    assert theirs.get("/people/me/")["Location"].startswith("/sign-in/")


def test_guessing_ones_own_password_there_locks_as_at_sign_in(keeper, mechanic):
    url = f"/people/{mechanic.pk}/pin/"
    for _ in range(4):
        keeper.post(url, {"pin": "7294", "own_password": "guess"})
    assert keeper.post(url, {"pin": "7294", "own_password": "guess"}).status_code == 429
    assert keeper.post(url, {"pin": "7294", "own_password": OWN}).status_code == 429
    mechanic.refresh_from_db()
    assert mechanic.pin_hash == ""


def test_setting_and_clearing_a_pin(keeper, mechanic):
    url = f"/people/{mechanic.pk}/pin/"
    weak = keeper.post(url, {"pin": "1234", "own_password": OWN})
    assert weak.status_code == 422
    assert "first anybody tries" in weak.content.decode()
    assert keeper.post(url, {"pin": "7294", "own_password": OWN}).status_code == 302
    mechanic.refresh_from_db()
    assert check_password("7294", mechanic.pin_hash)
    assert keeper.post(f"{url}clear/").status_code == 302
    mechanic.refresh_from_db()
    assert mechanic.pin_hash == ""


def test_ones_own_password_keeps_this_session_and_ends_the_others(signed_in, mechanic):
    elsewhere = Client()
    elsewhere.force_login(mechanic)
    here = signed_in(mechanic)
    assert here.post("/people/me/password/", {"password": GOOD, "own_password": OWN}).status_code == 302
    assert here.get("/people/me/").status_code == 200
    assert elsewhere.get("/people/me/").status_code == 302


def test_ones_own_unit_and_pin(signed_in, mechanic):
    client = signed_in(mechanic)
    assert client.post("/people/me/", {"unit": "inch"}).status_code == 302
    assert client.post("/people/me/", {"unit": "ell"}).status_code == 422
    assert client.post("/people/me/pin/", {"pin": "7294", "own_password": OWN}).status_code == 302
    mechanic.refresh_from_db()
    assert (mechanic.unit, check_password("7294", mechanic.pin_hash)) == ("inch", True)


def test_on_a_shared_tablet_a_new_pin_and_password_of_ones_own_end_neither_turn_nor_device(client, manager, mechanic):
    Person.objects.filter(pk=mechanic.pk).update(pin_hash=make_password("7294"))
    client.post("/sign-in/", {"username": manager.username, "password": OWN, "shared": "on"})
    client.post(f"/tablet/{mechanic.pk}/", {"pin": "7294"})
    sent = {"own_password": OWN, "made_for": str(mechanic.pk)}
    assert client.post("/people/me/pin/", {"pin": "9061", **sent}).status_code == 302
    assert client.get("/people/me/").status_code == 200
    assert client.post("/people/me/password/", {"password": GOOD, **sent}).status_code == 302
    assert client.get("/people/me/").context["user"] == mechanic


def test_a_new_password_ends_the_lock_out_at_sign_in(keeper, mechanic):
    theirs = Client()
    for _ in range(6):
        locked = theirs.post("/sign-in/", {"username": mechanic.username, "password": "wrong"})
    assert locked.status_code == 429
    keeper.post(f"/people/{mechanic.pk}/password/", {"password": GOOD, "own_password": OWN})
    assert theirs.post("/sign-in/", {"username": mechanic.username, "password": GOOD}).status_code == 302
