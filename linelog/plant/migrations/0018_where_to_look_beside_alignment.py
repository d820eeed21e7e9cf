"""Symptom tables that are there already get the rows on pressure, timing, metal and lubrication of a new plant."""

from django.db import migrations

from linelog.plant.symptoms import CODES, points_to

BESIDE = {"pressure", "metal", "lubrication"}


def add_rows(apps, schema_editor):
    symptom, code_model = apps.get_model("plant", "Symptom"), apps.get_model("plant", "DefectCode")
    codes = list(code_model.objects.prefetch_related("symptoms"))
    for code, _, rows in CODES:
        for made in (one for one in codes if one.code == code):
            there = {row.other for row in made.symptoms.all()}
            symptom.objects.bulk_create(
                symptom(code=made, words=words, **points_to(look, how))
                for look, how, words in rows
                if look in BESIDE and look not in there
            )


class Migration(migrations.Migration):

    dependencies = [
        ("plant", "0017_pressure_and_misread_marks"),
    ]

    operations = [
        migrations.RunPython(add_rows, migrations.RunPython.noop),
    ]
