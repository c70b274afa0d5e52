#!/usr/bin/env python
"""The commands of labbench: `manage.py help` lists them."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "labbench.config.settings")
    try:
        from django.core.management import execute_from_command_line
    except ImportError:
        sys.exit("Django is not installed here. The first line of README.md sets everything up.")
    from django.core.exceptions import ImproperlyConfigured

    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as refused:
        sys.exit(str(refused))
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
