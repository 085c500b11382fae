"""Runs the command line: ``python -m cemgis``."""

from cemgis.cli import main

raise SystemExit(main())
