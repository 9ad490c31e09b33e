"""A real UPS server, with its dummy driver, asked as the agent asks it."""

import pytest

from flashworthy_agent.probes.access import Access
from flashworthy_agent.probes.linux.power import look_at_configured_ups as look_at_ups
from flashworthy_common.values import Unknown
from support.servers import free_port
from support.trees import LiveTree, NoPrograms
from support.ups_servers import RealServer, has_real_server

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(not has_real_server(), reason="no UPS server is unpacked in .unpacked"),
]


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    running = RealServer(tmp_path_factory.mktemp("ups"), free_port())
    try:
        running.until(lambda answer: "ups.status" in answer)
        yield running
    finally:
        running.end()


def seen(server, folder):
    access = Access(LiveTree(folder), NoPrograms(), ups=(server.address,))
    (found,) = look_at_ups(access).ups
    return found


@pytest.mark.parametrize("status", ["OL", "OL CHRG", "OB", "OB LB", "OL RB"])
def test_a_real_server_tells_what_its_ups_says(server, tmp_path, status):
    server.says(f"ups.status: {status}", "battery.charge: 085.5", "battery.runtime: 1080",
                "ups.load: 23.4", 'device.mfr: Cell \\"W\\"')  # fmt: skip
    server.until(lambda answer: status == answer["ups.status"] and "ups.load" in answer)

    found = seen(server, tmp_path)

    assert (found.status_text, found.charge_percent) == (status, 85.5)
    assert (found.runtime_seconds, found.load_percent) == (1080, 23.4)


def test_data_that_is_stale_is_no_status(server, tmp_path):
    server.stop_driver()
    server.until(lambda answer: "STALE" in answer)

    found = seen(server, tmp_path)
    server.continue_driver()
    server.until(lambda answer: "ups.status" in answer)

    because = "the UPS server answers DATA-STALE: its driver no longer hears from the UPS"
    assert found.status_text == found.charge_percent == Unknown(because)


def test_a_driver_that_is_gone_is_no_status(server, tmp_path):
    server.driver.terminate()
    server.until(lambda answer: "DRIVER-NOT-CONNECTED" in answer)

    assert seen(server, tmp_path).status_text == Unknown(
        "the UPS server answers DRIVER-NOT-CONNECTED: the driver of the UPS does not run"
    )
