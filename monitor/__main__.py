"""`python -m monitor` is `benchweather`."""

from monitor.core.imports import uncollected


def main() -> None:
    """Entry point of `benchweather` and `python -m monitor`."""
    with uncollected():
        from monitor import cli
    cli.main()


if __name__ == "__main__":
    main()
