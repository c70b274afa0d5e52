"""Every table as it stands after the migrations that this one replaces, made whole at once: a new database needs a few seconds."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    replaces = [('analysis', '0001_initial'), ('analysis', '0002_plan_comparison'), ('analysis', '0003_choices')]

    initial = True

    dependencies = [
        ('jobs', '0001_initial'),
        ('lab', '0001_squashed_0004'),
        ('studies', '0001_squashed_0005'),
    ]

    operations = [
        migrations.CreateModel(
            name='Analysis',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('sheet_csv', models.TextField(verbose_name='coupon sheet as analysed')),
                ('inputs_sha256', models.CharField(max_length=64)),
                ('parameters', models.JSONField()),
                ('code_version', models.CharField(max_length=40)),
                ('result', models.JSONField(blank=True, null=True)),
                ('result_sha256', models.CharField(blank=True, max_length=64)),
                ('coupons', models.PositiveIntegerField()),
                ('requested_at', models.DateTimeField()),
                ('finished_at', models.DateTimeField(blank=True, null=True)),
                ('job', models.OneToOneField(on_delete=django.db.models.deletion.PROTECT, related_name='analysis', to='jobs.job')),
                ('requested_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='analyses', to=settings.AUTH_USER_MODEL)),
                ('study', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='analyses', to='studies.study')),
                ('beside', models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='left_out', to='analysis.analysis')),
                ('choice', models.JSONField(blank=True, default=dict)),
            ],
            options={
                'verbose_name_plural': 'analyses',
                'ordering': ['-requested_at', '-id'],
                'constraints': [models.UniqueConstraint(fields=('study', 'inputs_sha256', 'code_version'), name='analysis_is_made_once_per_inputs'), models.CheckConstraint(condition=models.Q(models.Q(('finished_at', None), ('result', None)), models.Q(('finished_at__isnull', False), ('result__isnull', False)), _connector='OR'), name='analysis_finished_with_result')],
                'indexes': [],
            },
        ),
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
                'indexes': [],
            },
        ),
    ]
