"""Say of every stored result what carried its dial: as its sweep says; nothing did for a running value."""

from django.db import migrations
from django.db.models import Exists, OuterRef


def say_the_carrier(apps, schema_editor):
    """Static results came from the ram until now, or from the component where their sweep says so."""
    result, sweep = apps.get_model("alignment", "Result"), apps.get_model("alignment", "Sweep")
    result.objects.using(schema_editor.connection.alias).filter(method="running").update(carrier="")
    place = {name: OuterRef(name) for name in ("visit", "station", "stage", "seat")}
    on_component = sweep.objects.using(schema_editor.connection.alias).filter(**place, kind="rim", carrier="component")
    result.objects.using(schema_editor.connection.alias).filter(Exists(on_component), method="static").update(carrier="component")


class Migration(migrations.Migration):
    """Data only, apart from the columns it fills."""

    dependencies = [("alignment", "0006_bushings_bar_and_limit_rule")]

    operations = [migrations.RunPython(say_the_carrier, migrations.RunPython.noop)]
