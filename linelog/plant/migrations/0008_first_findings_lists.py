"""Plants that are there already get the places, defect codes and symptoms that a new plant begins with."""

from django.db import migrations

from linelog.plant.symptoms import seed


def give_lists(apps, schema_editor):
    models = {name: apps.get_model("plant", name) for name in ("Plant", "FindingPlace", "DefectCode", "Symptom")}
    for plant in models["Plant"].objects.filter(defect_codes__isnull=True):
        seed(plant, places=models["FindingPlace"], codes=models["DefectCode"], symptoms=models["Symptom"])


class Migration(migrations.Migration):

    dependencies = [
        ("plant", "0007_findings_lists_and_date_code"),
    ]

    operations = [
        migrations.RunPython(give_lists, migrations.RunPython.noop),
    ]
