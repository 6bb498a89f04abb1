"""`python -m benchd_simulators` is `benchd-sim`."""

import sys

from benchd_simulators.cli import main

sys.exit(main())
