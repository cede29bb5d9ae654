"""``python -m canscope``."""

import sys

from canscope.cli.main import main

sys.exit(main())
