"""Give each visit that says who verified its lockout the record of that lockout.

How it ended was not written down; twelve hours after it was verified it stands no more.
"""

from datetime import timedelta

from django.db import migrations

AT_ONCE = 1000


def make_records(apps, schema_editor):
    visits = apps.get_model("alignment", "Visit").objects.using(schema_editor.connection.alias).exclude(lockout_verified_by="").order_by("pk")
    lockout = apps.get_model("alignment", "Lockout")
    made = (
        lockout(
            visit_id=visit.pk,
            verified_by=visit.lockout_verified_by,
            verified_at=visit.lockout_verified_at,
            logged_by_id=visit.opened_by_id,
            logged_at=visit.lockout_verified_at,
            runs_out_at=visit.lockout_verified_at + timedelta(hours=12),
            runs_out_why="age",
        )
        for visit in visits.iterator(chunk_size=AT_ONCE)
    )
    lockout.objects.using(schema_editor.connection.alias).bulk_create(made, batch_size=AT_ONCE)


def write_back(apps, schema_editor):
    visits = apps.get_model("alignment", "Visit").objects.using(schema_editor.connection.alias)
    for one in apps.get_model("alignment", "Lockout").objects.using(schema_editor.connection.alias).order_by("-verified_at", "-pk").iterator():
        visits.filter(pk=one.visit_id).update(
            lockout_verified_by=one.verified_by, lockout_verified_at=one.verified_at
        )


class Migration(migrations.Migration):
    dependencies = [("alignment", "0009_lockouts")]

    operations = [migrations.RunPython(make_records, write_back)]
