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
        if sys.argv[1:2] == ["trace"]:
            # It needs no stored data, and loading the models takes as long as reading a million rows.
            from labbench.headless.management.commands.trace import Command

            Command().run_from_argv(sys.argv)
            return
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as refused:
        sys.exit(str(refused))
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
