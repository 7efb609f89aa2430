"""`python -m outflow_cohort`."""

import sys

from outflow_cohort.cli import main

sys.exit(main())
