import django.core.validators
import django.db.models.deletion
import django.db.models.expressions
import simple_history.models
from django.conf import settings
from django.db import migrations, models

from labbench.lab.triggers import operation, without
from labbench.studies import triggers


class Migration(migrations.Migration):

    dependencies = [
        ('lab', '0001_initial'),
        ('studies', '0003_code_message'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    # Factors and levels are remade on SQLite; the trigger that names them is away meanwhile.
    operations = [
        without(triggers.LEVEL_BELONGS),
        migrations.CreateModel(
            name='AllocatedCoupon',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('repair_order', models.PositiveIntegerField(blank=True, help_text='1 is repaired first. Empty: a control that is not repaired.', null=True)),
            ],
            options={
                'ordering': ['allocation', 'repair_order'],
            },
        ),
        migrations.CreateModel(
            name='Allocation',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('plan', models.CharField(choices=[('swaps', 'one-factor swaps'), ('factorial', 'full factorial'), ('fraction', 'fractional factorial'), ('d_optimal', 'D-optimal subset'), ('sequential', 'sequential plan')], max_length=10)),
                ('title', models.CharField(max_length=160)),
                ('seed', models.PositiveBigIntegerField(help_text='The same coupons, arms and seed give the same allocation.')),
                ('made_at', models.DateTimeField()),
                ('locked_at', models.DateTimeField(blank=True, null=True)),
            ],
            options={
                'ordering': ['-made_at', '-id'],
            },
        ),
        migrations.CreateModel(
            name='HistoricalAllocatedCoupon',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('repair_order', models.PositiveIntegerField(blank=True, help_text='1 is repaired first. Empty: a control that is not repaired.', null=True)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.TextField(null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical allocated coupon',
                'verbose_name_plural': 'historical allocated coupons',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalAllocation',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('plan', models.CharField(choices=[('swaps', 'one-factor swaps'), ('factorial', 'full factorial'), ('fraction', 'fractional factorial'), ('d_optimal', 'D-optimal subset'), ('sequential', 'sequential plan')], max_length=10)),
                ('title', models.CharField(max_length=160)),
                ('seed', models.PositiveBigIntegerField(help_text='The same coupons, arms and seed give the same allocation.')),
                ('made_at', models.DateTimeField()),
                ('locked_at', models.DateTimeField(blank=True, null=True)),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.TextField(null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical allocation',
                'verbose_name_plural': 'historical allocations',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalImpossibleCombination',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('reason', models.CharField(blank=True, max_length=200, verbose_name="why it can't be made")),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.TextField(null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical impossible combination',
                'verbose_name_plural': 'historical impossible combinations',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalImpossibleLevel',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.TextField(null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical impossible level',
                'verbose_name_plural': 'historical impossible levels',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='HistoricalPlanSettings',
            fields=[
                ('id', models.BigIntegerField(auto_created=True, blank=True, db_index=True, verbose_name='ID')),
                ('places_per_load', models.PositiveSmallIntegerField(default=12, help_text='Controls take places too.', validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(1000)], verbose_name='coupon places in a load')),
                ('loads_ready', models.PositiveSmallIntegerField(default=3, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(100)], verbose_name='loads the lab is ready to run')),
                ('reference_per_load', models.PositiveSmallIntegerField(default=1, help_text='A repair known to hold: it checks the load.', verbose_name='reference repairs in each load')),
                ('unrepaired_per_load', models.PositiveSmallIntegerField(default=0, verbose_name='unrepaired controls in each load')),
                ('pristine_per_load', models.PositiveSmallIntegerField(default=0, verbose_name='pristine controls in each load')),
                ('failing_share', models.FloatField(default=0.8, help_text='Assumed, as a fraction, e.g. 0.8.', verbose_name='share that fails with the cause')),
                ('holding_share', models.FloatField(default=0.05, help_text='Assumed, as a fraction, e.g. 0.05.', verbose_name='share that fails without it')),
                ('history_id', models.AutoField(primary_key=True, serialize=False)),
                ('history_date', models.DateTimeField(db_index=True)),
                ('history_change_reason', models.TextField(null=True)),
                ('history_type', models.CharField(choices=[('+', 'Created'), ('~', 'Changed'), ('-', 'Deleted')], max_length=1)),
            ],
            options={
                'verbose_name': 'historical plan settings',
                'verbose_name_plural': 'historical plan settings',
                'ordering': ('-history_date', '-history_id'),
                'get_latest_by': ('history_date', 'history_id'),
            },
            bases=(simple_history.models.HistoricalChanges, models.Model),
        ),
        migrations.CreateModel(
            name='ImpossibleCombination',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('reason', models.CharField(blank=True, max_length=200, verbose_name="why it can't be made")),
            ],
            options={
                'ordering': ['id'],
            },
        ),
        migrations.CreateModel(
            name='ImpossibleLevel',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
            ],
            options={
                'ordering': ['combination', 'factor__order', 'id'],
            },
        ),
        migrations.CreateModel(
            name='PlanSettings',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('places_per_load', models.PositiveSmallIntegerField(default=12, help_text='Controls take places too.', validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(1000)], verbose_name='coupon places in a load')),
                ('loads_ready', models.PositiveSmallIntegerField(default=3, validators=[django.core.validators.MinValueValidator(1), django.core.validators.MaxValueValidator(100)], verbose_name='loads the lab is ready to run')),
                ('reference_per_load', models.PositiveSmallIntegerField(default=1, help_text='A repair known to hold: it checks the load.', verbose_name='reference repairs in each load')),
                ('unrepaired_per_load', models.PositiveSmallIntegerField(default=0, verbose_name='unrepaired controls in each load')),
                ('pristine_per_load', models.PositiveSmallIntegerField(default=0, verbose_name='pristine controls in each load')),
                ('failing_share', models.FloatField(default=0.8, help_text='Assumed, as a fraction, e.g. 0.8.', verbose_name='share that fails with the cause')),
                ('holding_share', models.FloatField(default=0.05, help_text='Assumed, as a fraction, e.g. 0.05.', verbose_name='share that fails without it')),
            ],
            options={
                'verbose_name_plural': 'plan settings',
            },
        ),
        migrations.AddField(
            model_name='factor',
            name='is_hard_to_change',
            field=models.BooleanField(default=False, help_text='Kept at one level as long as possible while a load is repaired.', verbose_name='hard to change'),
        ),
        migrations.AddField(
            model_name='factor',
            name='levels_per_session',
            field=models.PositiveSmallIntegerField(blank=True, help_text='At most so many of its levels while a load is repaired, e.g. two lamps. Leave empty: any number.', null=True, verbose_name='levels in one session'),
        ),
        migrations.AddField(
            model_name='historicalfactor',
            name='is_hard_to_change',
            field=models.BooleanField(default=False, help_text='Kept at one level as long as possible while a load is repaired.', verbose_name='hard to change'),
        ),
        migrations.AddField(
            model_name='historicalfactor',
            name='levels_per_session',
            field=models.PositiveSmallIntegerField(blank=True, help_text='At most so many of its levels while a load is repaired, e.g. two lamps. Leave empty: any number.', null=True, verbose_name='levels in one session'),
        ),
        migrations.AddField(
            model_name='historicallevel',
            name='is_reference',
            field=models.BooleanField(default=False, help_text='The level of the reference repair, which is known to hold.', verbose_name='reference'),
        ),
        migrations.AddField(
            model_name='historicallevel',
            name='most_coupons',
            field=models.PositiveIntegerField(blank=True, help_text='In all, those of the study that carry it included. Leave empty: no limit.', null=True, verbose_name='enough for so many coupons'),
        ),
        migrations.AddField(
            model_name='level',
            name='is_reference',
            field=models.BooleanField(default=False, help_text='The level of the reference repair, which is known to hold.', verbose_name='reference'),
        ),
        migrations.AddField(
            model_name='level',
            name='most_coupons',
            field=models.PositiveIntegerField(blank=True, help_text='In all, those of the study that carry it included. Leave empty: no limit.', null=True, verbose_name='enough for so many coupons'),
        ),
        migrations.AddConstraint(
            model_name='factor',
            constraint=models.CheckConstraint(condition=models.Q(('levels_per_session__gte', 1)), name='factor_at_least_one_level_per_session'),
        ),
        migrations.AddConstraint(
            model_name='level',
            constraint=models.UniqueConstraint(condition=models.Q(('is_reference', True)), fields=('factor',), name='level_one_reference_per_factor'),
        ),
        migrations.AddField(
            model_name='allocatedcoupon',
            name='coupon',
            field=models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='allocated', to='studies.coupon'),
        ),
        migrations.AddField(
            model_name='allocatedcoupon',
            name='technician',
            field=models.ForeignKey(blank=True, help_text='Who repairs it, where the technician is no factor.', null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='allocation',
            name='locked_by',
            field=models.ForeignKey(blank=True, null=True, on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='allocation',
            name='made_by',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='allocations', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='allocation',
            name='study',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='allocations', to='studies.study'),
        ),
        migrations.AddField(
            model_name='allocatedcoupon',
            name='allocation',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='rows', to='studies.allocation'),
        ),
        migrations.AddField(
            model_name='historicalallocatedcoupon',
            name='allocation',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='studies.allocation'),
        ),
        migrations.AddField(
            model_name='historicalallocatedcoupon',
            name='coupon',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='studies.coupon'),
        ),
        migrations.AddField(
            model_name='historicalallocatedcoupon',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalallocatedcoupon',
            name='technician',
            field=models.ForeignKey(blank=True, db_constraint=False, help_text='Who repairs it, where the technician is no factor.', null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalallocation',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalallocation',
            name='locked_by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalallocation',
            name='made_by',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalallocation',
            name='study',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='studies.study'),
        ),
        migrations.AddField(
            model_name='historicalimpossiblecombination',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalimpossiblecombination',
            name='study',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='studies.study'),
        ),
        migrations.AddField(
            model_name='historicalimpossiblelevel',
            name='factor',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='studies.factor'),
        ),
        migrations.AddField(
            model_name='historicalimpossiblelevel',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalimpossiblelevel',
            name='level',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='studies.level'),
        ),
        migrations.AddField(
            model_name='historicalplansettings',
            name='history_user',
            field=models.ForeignKey(null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL),
        ),
        migrations.AddField(
            model_name='historicalplansettings',
            name='study',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='studies.study'),
        ),
        migrations.AddField(
            model_name='impossiblecombination',
            name='study',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='impossible_combinations', to='studies.study'),
        ),
        migrations.AddField(
            model_name='historicalimpossiblelevel',
            name='combination',
            field=models.ForeignKey(blank=True, db_constraint=False, null=True, on_delete=django.db.models.deletion.DO_NOTHING, related_name='+', to='studies.impossiblecombination'),
        ),
        migrations.AddField(
            model_name='impossiblelevel',
            name='combination',
            field=models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='levels', to='studies.impossiblecombination'),
        ),
        migrations.AddField(
            model_name='impossiblelevel',
            name='factor',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='studies.factor'),
        ),
        migrations.AddField(
            model_name='impossiblelevel',
            name='level',
            field=models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='impossible_in', to='studies.level'),
        ),
        migrations.AddField(
            model_name='plansettings',
            name='study',
            field=models.OneToOneField(on_delete=django.db.models.deletion.CASCADE, related_name='plan_settings', to='studies.study'),
        ),
        migrations.AddConstraint(
            model_name='allocation',
            constraint=models.CheckConstraint(condition=models.Q(('plan__in', ['swaps', 'factorial', 'fraction', 'd_optimal', 'sequential'])), name='allocation_plan_is_known'),
        ),
        migrations.AddConstraint(
            model_name='allocation',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('locked_at', None), ('locked_by', None)), models.Q(('locked_at__isnull', False), ('locked_by__isnull', False)), _connector='OR'), name='allocation_locked_by_somebody'),
        ),
        migrations.AddConstraint(
            model_name='allocatedcoupon',
            constraint=models.UniqueConstraint(fields=('allocation', 'repair_order'), name='allocated_order_is_taken_once'),
        ),
        migrations.AddConstraint(
            model_name='allocatedcoupon',
            constraint=models.CheckConstraint(condition=models.Q(('repair_order__gte', 1)), name='allocated_order_from_1'),
        ),
        migrations.AddConstraint(
            model_name='impossiblelevel',
            constraint=models.UniqueConstraint(fields=('combination', 'factor'), name='impossible_names_a_factor_once'),
        ),
        migrations.AddConstraint(
            model_name='plansettings',
            constraint=models.CheckConstraint(condition=models.Q(('places_per_load__range', (1, 1000))), name='plan_places_1_to_1000'),
        ),
        migrations.AddConstraint(
            model_name='plansettings',
            constraint=models.CheckConstraint(condition=models.Q(('loads_ready__range', (1, 100))), name='plan_loads_1_to_100'),
        ),
        migrations.AddConstraint(
            model_name='plansettings',
            constraint=models.CheckConstraint(condition=models.Q(('places_per_load__gt', django.db.models.expressions.CombinedExpression(django.db.models.expressions.CombinedExpression(models.F('reference_per_load'), '+', models.F('unrepaired_per_load')), '+', models.F('pristine_per_load')))), name='plan_controls_leave_a_place', violation_error_message='The controls leave no place for a test coupon.'),
        ),
        migrations.AddConstraint(
            model_name='plansettings',
            constraint=models.CheckConstraint(condition=models.Q(('failing_share__gt', models.F('holding_share')), ('failing_share__lte', 1), ('holding_share__gte', 0)), name='plan_cause_fails_more', violation_error_message='With the cause more coupons fail than without it; both shares lie between 0 and 1.'),
        ),
        operation(triggers.LEVEL_BELONGS),
        *(operation(refusal) for refusal in triggers.PLANNING),
    ]
