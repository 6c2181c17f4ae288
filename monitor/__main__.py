"""`python -m monitor` is `benchweather`."""

from monitor.cli import main

main()
