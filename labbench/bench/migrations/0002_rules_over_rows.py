from django.db import migrations

from labbench.bench import triggers
from labbench.lab.triggers import operation


class Migration(migrations.Migration):
    dependencies = [("bench", "0001_initial"), ("studies", "0001_initial")]
    operations = [operation(refusal) for refusal in triggers.ALL]
