"""Rules of the whole code base that a single module's test would not see."""

import io

import pytest
from django.apps import apps
from django.core.management import call_command

OURS = ("web", "plant", "alignment", "production", "trends", "planning")


@pytest.mark.django_db
def test_models_and_migrations_agree():
    call_command("makemigrations", "--check", "--dry-run", stdout=io.StringIO())


def test_who_and_when_are_held_together_in_the_database():
    """A pair X_by / X_at that may be empty needs a constraint, else one could be set without the other."""
    loose = []
    for label in OURS:
        for model in apps.get_app_config(label).get_models():
            names = {field.name: field for field in model._meta.get_fields() if hasattr(field, "null")}
            for name, field in names.items():
                partner = names.get(f"{name[:-3]}_at") if name.endswith("_by") else None
                if partner is None or not partner.null:
                    continue
                held = any(name in str(c) and partner.name in str(c) for c in model._meta.constraints)
                if not held:
                    loose.append(f"{model.__name__}.{field.name}")
    assert loose == []
