"""Who verified the lockout of a visit stands in its lockouts now."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("alignment", "0010_lockouts_of_old_visits")]

    operations = [
        migrations.RemoveConstraint(
            model_name='visit',
            name='visit_lockout_by_and_at_together',
        ),
        migrations.RemoveField(
            model_name='visit',
            name='lockout_verified_at',
        ),
        migrations.RemoveField(
            model_name='visit',
            name='lockout_verified_by',
        ),
    ]
