from django.db import migrations
from django.utils import timezone


def count_from_now(apps, schema_editor):
    """Bounds of adjusters that are there already were kept as they stand today: only moves from now on use them up."""
    apps.get_model("plant", "Adjuster").objects.using(schema_editor.connection.alias).filter(bounds_at=None).update(bounds_at=timezone.now())


class Migration(migrations.Migration):
    dependencies = [("plant", "0010_present_state_of_adjusters")]

    operations = [migrations.RunPython(count_from_now, migrations.RunPython.noop)]
