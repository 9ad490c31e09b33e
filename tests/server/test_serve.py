"""The server as a process: it listens, answers over a socket, and stops when told."""

import contextlib
import http.client
import json
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import pytest

from flashworthy_server.services import jobs, long_work
from support.site import WHO, an_application

START_SECONDS = 60  # at most, on a busy machine; longer than what is under way is given to end
COMMAND = (sys.executable, "-c", "from flashworthy_server.cli import main; main()", "serve")


# Answers with the process that answered, after a while.
SLOW_SITE = """
import os, sys, time
from gunicorn import util
from gunicorn.app.base import BaseApplication
from flashworthy_server.even_worker import EvenWorker

util.close_graceful.__defaults__ = (60.0, 65_536)  # it waits for longer than a test

def application(environ, start_response):
    time.sleep(0.02)
    body = b"%d" % os.getpid()
    start_response("200 OK", [("Content-Length", str(len(body)))])
    return [body]

class Application(BaseApplication):
    def load_config(self):
        settings = {"bind": f"127.0.0.1:{sys.argv[1]}", "workers": 2, "threads": 2}
        settings |= {"worker_class": EvenWorker, "control_socket_disable": True}
        for name, value in settings.items():
            self.cfg.set(name, value)

    def load(self):
        return application

Application().run()
"""


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def answer(url, data=None):
    request = urllib.request.Request(url, data, {"Content-Type": "application/json"})
    try:
        with urllib.request.urlopen(request, timeout=10) as response:
            return response.status, json.load(response)
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.load(error)


def wait_until_it_answers(process, url):
    end = time.monotonic() + START_SECONDS
    while time.monotonic() < end:
        assert process.poll() is None, process.stderr.read()
        try:
            return answer(f"{url}/healthz")
        except urllib.error.URLError:
            time.sleep(0.1)
    raise AssertionError(f"no answer within {START_SECONDS} s")


def wait_until_it_listens(port):
    end = time.monotonic() + START_SECONDS
    while time.monotonic() < end:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
            return
        time.sleep(0.05)
    raise AssertionError(f"nobody listens within {START_SECONDS} s")


@pytest.fixture
def server(url):
    """A running server and its address; ended after the test."""
    port = free_port()
    process = subprocess.Popen(
        [*COMMAND, "--port", str(port)],
        env={**os.environ, "FLASHWORTHY_DATABASE": url},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process, f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.communicate(timeout=START_SECONDS)


def test_it_answers_over_a_socket_and_stops_when_told(server):
    process, address = server

    assert wait_until_it_answers(process, address) == (200, {"status": "ok", "wire": [1]})
    status, problem = answer(
        f"{address}/api/v1/enrolments", json.dumps(an_application("fwjoin-x")).encode()
    )
    assert (status, problem["title"]) == (403, "Forbidden")
    status, problem = answer(f"{address}/api/v1/enrolments", b" " * (256 * 1024 + 1))
    assert (status, problem["title"]) == (413, "Request Entity Too Large")

    process.terminate()
    assert process.wait(timeout=START_SECONDS) == 0


def test_long_work_that_was_asked_for_while_it_was_down_is_done(site, request):
    long_work.verify_packages(site.site, WHO)
    process, address = request.getfixturevalue("server")
    wait_until_it_answers(process, address)

    end = time.monotonic() + START_SECONDS
    while (job := site.get("/jobs/1").json)["state"] not in jobs.ENDED:
        assert time.monotonic() < end, job
        time.sleep(0.1)

    assert job["result"] == {"intact": 0, "damaged": [], "unknown_files": []}


def test_without_tables_it_does_not_start(tmp_path):
    url = f"sqlite:///{tmp_path}/empty.db"

    ended = subprocess.run(
        [*COMMAND, "--port", "0"],
        env={**os.environ, "FLASHWORTHY_DATABASE": url},
        capture_output=True,
        text=True,
        timeout=START_SECONDS,
        check=False,
    )

    assert ended.returncode == 1
    assert ended.stderr == (
        f"flashworthy-server: {url} is not there; run: flashworthy-server migrate\n"
    )


@contextlib.contextmanager
def a_slow_site():
    """The port of two processes with two threads each, each answer taking a while."""
    port = free_port()
    command = [sys.executable, "-c", SLOW_SITE, str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        wait_until_it_listens(port)
        wait_until_both_answer(port)
        yield port, process
    finally:
        process.terminate()
        process.wait(START_SECONDS)


def wait_until_both_answer(port):
    """One that has only just begun may not learn that it is to end."""

    def who_answers(_):
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port)) as asks:
            asks.request("GET", "/")
            return asks.getresponse().read()

    answered, end = set(), time.monotonic() + START_SECONDS
    with ThreadPoolExecutor(4) as four:  # as many as there are threads
        while len(answered) < 2:
            assert time.monotonic() < end, "one process answers everything"
            answered |= set(four.map(who_answers, range(4)))


def test_connections_that_are_kept_are_shared_by_the_processes():
    asked_by = []

    def ask_again_and_again(port):
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port)) as kept:
            for _ in range(20):
                kept.request("GET", "/")
                asked_by.append(kept.getresponse().read())

    with a_slow_site() as (port, _):
        threads = [threading.Thread(target=ask_again_and_again, args=(port,)) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(START_SECONDS)

    counts = Counter(asked_by)
    assert sum(counts.values()) == 160
    assert len(counts) == 2
    assert min(counts.values()) >= 40  # one process alone would answer nearly all of them


def test_connections_on_which_nothing_comes_keep_nobody_out():
    with a_slow_site() as (port, _), contextlib.ExitStack() as silent:
        for _ in range(20):  # five for each thread
            silent.enter_context(socket.create_connection(("127.0.0.1", port)))
        one_that_wakes = silent.enter_context(socket.create_connection(("127.0.0.1", port)))

        # half of what a thread of gunicorn's own waits for the first byte of one of them
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=2.5)) as asks:
            asks.request("GET", "/")
            assert asks.getresponse().status == 200
        one_that_wakes.sendall(b"GET / HTTP/1.1\r\nHost: site.example\r\n\r\n")
        assert one_that_wakes.recv(100).startswith(b"HTTP/1.1 200 OK")


CLOSING = b"GET / HTTP/1.1\r\nHost: site.example\r\nConnection: close\r\n\r\n"


def test_who_does_not_close_after_the_answer_keeps_nobody_out():
    with a_slow_site() as (port, _), contextlib.ExitStack() as unclosed:
        for _ in range(20):  # five for each thread
            asks = unclosed.enter_context(socket.create_connection(("127.0.0.1", port)))
            asks.settimeout(START_SECONDS)
            asks.sendall(CLOSING)
            assert asks.recv(100).startswith(b"HTTP/1.1 200 OK")
            assert asks.makefile("rb").read()  # to the end of the connection


def test_an_answer_comes_as_a_whole():
    with (
        a_slow_site() as (port, _),
        socket.create_connection(("127.0.0.1", port), START_SECONDS) as kept,
    ):
        for _ in range(2):
            kept.sendall(b"GET / HTTP/1.1\r\nHost: site.example\r\n\r\n")
            piece = kept.recv(65_536)

            assert piece.startswith(b"HTTP/1.1 200 OK")
            assert piece.rpartition(b"\r\n\r\n")[2].isdigit()


def test_who_sends_more_than_is_read_gets_the_answer_nevertheless():
    with (
        a_slow_site() as (port, _),
        socket.create_connection(("127.0.0.1", port), START_SECONDS) as asks,
    ):
        asks.sendall(CLOSING + b"and more" * 1_000)
        answer = asks.makefile("rb").read()

    assert answer.startswith(b"HTTP/1.1 200 OK")
    assert answer.rpartition(b"\r\n\r\n")[2].isdigit()


def test_a_connection_that_is_kept_is_answered_to_the_end_when_it_stops():
    said = []

    with a_slow_site() as (port, process):
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port)) as kept:
            while "close" not in said:  # until the process has learnt that it is to end
                kept.request("GET", "/")
                answer = kept.getresponse()
                answer.read()
                said.append(answer.headers["Connection"])
                assert answer.status == 200
                if len(said) == 1:
                    process.terminate()
        assert process.wait(START_SECONDS) == 0
