from django.db import migrations


class Migration(migrations.Migration):
    """What came before and after a visit is told by the stored judgement alone."""

    dependencies = [("trends", "0005_bushing_sweeps_are_not_judged")]

    operations = [migrations.DeleteModel(name="Around")]
