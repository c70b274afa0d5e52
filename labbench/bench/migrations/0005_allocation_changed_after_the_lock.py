from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('bench', '0004_failures_newest_first'),
        ('studies', '0004_planning'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.RemoveConstraint(
            model_name='deviation',
            name='deviation_kind_is_known',
        ),
        migrations.AlterField(
            model_name='deviation',
            name='kind',
            field=models.CharField(choices=[('late_transfer', 'late transfer'), ('soak', 'soak short or long'), ('chamber', 'chamber fault or power cut'), ('resin_expired', 'resin lot expired'), ('calibration_overdue', 'meter calibration overdue'), ('survey_old', 'lamp survey missing or too old'), ('allocation', 'not as allocated'), ('reallocated', 'allocation changed after the lock'), ('handling', 'broken or damaged in handling'), ('blinding', 'inspector knew the repair'), ('other', 'other')], max_length=20),
        ),
        migrations.AlterField(
            model_name='historicaldeviation',
            name='kind',
            field=models.CharField(choices=[('late_transfer', 'late transfer'), ('soak', 'soak short or long'), ('chamber', 'chamber fault or power cut'), ('resin_expired', 'resin lot expired'), ('calibration_overdue', 'meter calibration overdue'), ('survey_old', 'lamp survey missing or too old'), ('allocation', 'not as allocated'), ('reallocated', 'allocation changed after the lock'), ('handling', 'broken or damaged in handling'), ('blinding', 'inspector knew the repair'), ('other', 'other')], max_length=20),
        ),
        migrations.AddConstraint(
            model_name='deviation',
            constraint=models.CheckConstraint(condition=models.Q(('kind__in', ['late_transfer', 'soak', 'chamber', 'resin_expired', 'calibration_overdue', 'survey_old', 'allocation', 'reallocated', 'handling', 'blinding', 'other'])), name='deviation_kind_is_known'),
        ),
    ]
