"""Sweeps of bushings count for nothing any more: what rests on a machine that has some is worked out anew."""

import datetime as dt

from django.db import migrations

BUSHINGS = ("rear_bushing", "front_bushing")


def work_out_anew(apps, schema_editor):
    """Leave a note for the worker at every machine with a judged sweep of a bushing."""
    result, stale = apps.get_model("alignment", "Result"), apps.get_model("trends", "Stale")
    swept = result.objects.using(schema_editor.connection.alias).filter(station__kind__in=BUSHINGS, method="static").order_by()
    now = dt.datetime.now(dt.UTC)
    for machine in set(swept.values_list("visit__machine", flat=True)):
        stale.objects.using(schema_editor.connection.alias).update_or_create(machine_id=machine, defaults={"since": now, "first_day": None})


class Migration(migrations.Migration):
    """Notes only."""

    dependencies = [
        ("trends", "0004_first_day_that_changed"),
        ("alignment", "0004_newest_signing_of_a_machine"),
    ]

    operations = [migrations.RunPython(work_out_anew, migrations.RunPython.noop)]
