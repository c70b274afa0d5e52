from django.db import migrations

from labbench.lab.triggers import operation
from labbench.studies import triggers


class Migration(migrations.Migration):
    dependencies = [("studies", "0001_initial")]
    operations = [operation(triggers.LEVEL_BELONGS)]
