from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('alignment', '0003_warnings_of_a_capture'),
    ]

    operations = [
        migrations.AddIndex(
            model_name='visit',
            index=models.Index(fields=['machine', 'state', 'signed_at'], name='alignment_v_machine_240c4f_idx'),
        ),
    ]
