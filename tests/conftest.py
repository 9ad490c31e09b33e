"""What all tests share."""

from hypothesis import HealthCheck, settings

# A slow or busy machine is no reason to fail: how fast things are is for the benchmarks to tell.
settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")


def pytest_addoption(parser):
    parser.addoption(
        "--database",
        choices=("sqlite", "postgresql"),
        default="sqlite",
        help="the database below the server's tests; each test has one of its own",
    )
