"""`python -m logger.cli` is `restpoint`."""

import sys

from logger.cli import main

sys.exit(main())
