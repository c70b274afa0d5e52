import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('analysis', '0001_initial'),
        ('jobs', '0001_initial'),
        ('studies', '0005_strength_margin'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='PlanComparison',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('inputs', models.JSONField()),
                ('inputs_sha256', models.CharField(max_length=64)),
                ('code_version', models.CharField(max_length=40)),
                ('result', models.JSONField(blank=True, null=True)),
                ('requested_at', models.DateTimeField()),
                ('finished_at', models.DateTimeField(blank=True, null=True)),
                ('job', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='plan_comparison', to='jobs.job')),
                ('requested_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('study', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='plan_comparisons', to='studies.study')),
            ],
            options={
                'ordering': ['-requested_at', '-id'],
                'constraints': [models.UniqueConstraint(fields=('study', 'inputs_sha256', 'code_version'), name='plan_comparison_is_made_once_per_inputs'), models.CheckConstraint(condition=models.Q(models.Q(('finished_at', None), ('result', None)), models.Q(('finished_at__isnull', False), ('result__isnull', False)), _connector='OR'), name='plan_comparison_finished_with_result')],
            },
        ),
    ]
