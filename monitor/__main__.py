"""``python -m monitor`` is the same as ``boilwitness``."""

import sys

from monitor.cli.main import main

sys.exit(main())
