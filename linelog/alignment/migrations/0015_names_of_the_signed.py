"""Visits that are signed already get a signature with the names as they are today: the best that is still known."""

from collections import defaultdict

from django.db import migrations

AT_ONCE = 500


def freeze_names(apps, schema_editor):
    alias = schema_editor.connection.alias  # a backup is restored into a database beside the one in use

    def rows(app, model):
        return apps.get_model(app, model).objects.using(alias)

    people = {p.pk: (f"{p.first_name} {p.last_name}".strip() or p.username, p.role) for p in rows("plant", "Person")}
    stations, adjusters, wrote = defaultdict(dict), defaultdict(dict), defaultdict(set)
    for station in rows("plant", "Station"):
        stations[station.machine_id][str(station.pk)] = station.name
    for adjuster in rows("plant", "Adjuster").select_related("station"):
        adjusters[adjuster.station.machine_id][str(adjuster.pk)] = adjuster.name
    reading = rows("alignment", "Reading").order_by().values_list("sweep__visit_id", "by_id").distinct()
    others = (rows("alignment", name).order_by().values_list("visit_id", "by_id") for name in ("MoveMade", "Photo"))
    for pairs in (reading, *others):
        for visit_id, by_id in pairs.iterator():
            wrote[visit_id].add(by_id)
    signature = apps.get_model("alignment", "Signature")
    signed = rows("alignment", "Visit").filter(state="signed", signature__isnull=True)
    made = []
    for visit in signed.select_related("machine__line__plant").order_by("pk").iterator(AT_ONCE):
        name, role = people[visit.signed_by_id]
        names = {
            "machine": visit.machine.name,
            "line": visit.machine.line.name,
            "plant": visit.machine.line.plant.name,
            "opened_by": people[visit.opened_by_id][0],
            "stations": stations[visit.machine_id],
            "adjusters": adjusters[visit.machine_id],
            "people": {str(pk): people[pk][0] for pk in wrote[visit.pk]},
        }
        made.append(signature(visit_id=visit.pk, name=name, role=role, names=names))
    signature.objects.using(alias).bulk_create(made, batch_size=AT_ONCE)


class Migration(migrations.Migration):

    dependencies = [
        ("alignment", "0014_signatures"),
        ("plant", "0014_signing_and_keeping"),
    ]

    operations = [
        migrations.RunPython(freeze_names, migrations.RunPython.noop),
    ]
