"""Pieces know what the visits on either side measured; all of them are worked out anew."""

import datetime as dt

from django.db import migrations, models


def work_out_anew(apps, schema_editor):
    """Leave a note for the worker at every machine with summaries."""
    alias = schema_editor.connection.alias
    piece, stale = apps.get_model("trends", "Piece"), apps.get_model("trends", "Stale")
    now = dt.datetime.now(dt.UTC)
    for machine in piece.objects.using(alias).order_by().values_list("machine", flat=True).distinct():
        stale.objects.using(alias).update_or_create(machine_id=machine, defaults={"since": now, "first_day": None})


class Migration(migrations.Migration):
    """Four columns, and notes."""

    dependencies = [("trends", "0009_risk_learned_over_the_plant")]

    operations = [
        migrations.AddField("piece", "looks", models.JSONField(default=list)),
        migrations.AddField("piece", "since_million", models.FloatField(null=True)),
        migrations.AddField("piece", "fitted_million", models.FloatField(null=True)),
        migrations.AddField("piece", "late", models.FloatField(default=0.0)),
        migrations.RunPython(work_out_anew, migrations.RunPython.noop),
    ]
