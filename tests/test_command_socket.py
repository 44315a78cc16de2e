"""The command socket: what clients may send, what they get, and that nothing of it ends the service's thread."""

import contextlib
import json
import socket
import stat
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dncd.errors import DncdError, NoServiceError, NotDoneError, RecordsError, StateHeldError, UsageError
from dncd.outside import command_client, command_server
from dncd.outside.command_client import ask
from dncd.outside.command_server import CommandServer, StreamReply
from dncd.outside.threads import Thread
from dncd.service.page_door import LIMITS


def answer(request: dict[str, Any]) -> dict[str, Any]:
    match request["do"]:
        case "echo":
            return {"said": request.get("say")}
        case "refuse":
            raise UsageError("there is no machine 'x'", "dncd.toml", "The machines are a, b")
        case "large":
            return {"names": ["n" * 100] * 50_000}
    raise ZeroDivisionError("a fault of the handler")


@pytest.fixture
def failures() -> list[Exception]:
    return []


@pytest.fixture
def server(tmp_path: Path, failures: list[Exception]) -> Iterator[CommandServer]:
    with CommandServer(tmp_path, answer, failures.append) as running:
        yield running


def raw(state: Path) -> socket.socket:
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    sock.connect(str(state / command_client.NAME))  # without a time-out it waits while the queue is full
    sock.settimeout(60)
    return sock


def open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def lines(sock: socket.socket, count: int) -> list[dict[str, Any]]:
    with sock.makefile("rb") as coming:
        return [json.loads(coming.readline()) for _ in range(count)]


@pytest.mark.usefixtures("server")
def test_a_request_has_its_answer(tmp_path: Path) -> None:
    assert ask(tmp_path, {"do": "echo", "say": "Dreherei Müller \udcff"}) == {"said": "Dreherei Müller \udcff"}
    assert stat.S_IMODE((tmp_path / "dncd.sock").stat().st_mode) == 0o660


@pytest.mark.usefixtures("server")
def test_an_answer_of_many_megabytes_comes_whole(tmp_path: Path) -> None:
    assert len(ask(tmp_path, {"do": "large"})["names"]) == 50_000


@pytest.mark.usefixtures("server")
def test_the_error_of_the_service_comes_back_as_it_was(tmp_path: Path) -> None:
    with pytest.raises(DncdError) as raised:
        ask(tmp_path, {"do": "refuse"})
    error = raised.value
    assert (error.code, error.exit_status) == ("usage", 2)
    assert str(error) == "dncd.toml: there is no machine 'x'. The machines are a, b."


@pytest.mark.usefixtures("server")
def test_a_fault_of_the_handler_is_told_and_the_thread_goes_on(tmp_path: Path, failures: list[Exception]) -> None:
    with pytest.raises(DncdError, match="ZeroDivisionError") as raised:
        ask(tmp_path, {"do": "fail"})
    assert raised.value.exit_status == 1
    assert isinstance(failures[0], ZeroDivisionError)
    assert ask(tmp_path, {"do": "echo"}) == {"said": None}


@pytest.mark.usefixtures("server")
@pytest.mark.parametrize(
    "sent",
    [b"\n", b"[]\n", b'{"do": 3}\n', b"{}\n", b"\xff\x00\n", b"[" * 60_000 + b"\n", b"NaN\n", b"9" * 9999 + b"\n"],
)
def test_what_is_no_request_is_refused_in_words(tmp_path: Path, sent: bytes) -> None:
    with raw(tmp_path) as sock:
        sock.sendall(sent)
        (said,) = lines(sock, 1)
    assert said["error"]["code"] == "usage"
    assert said["error"]["next_step"]
    assert ask(tmp_path, {"do": "echo"}) == {"said": None}


@pytest.mark.usefixtures("server")
def test_a_request_without_end_is_cut_off(tmp_path: Path) -> None:
    with raw(tmp_path) as sock:
        try:
            for _ in range(100):
                sock.sendall(b"x" * 4096)
        except (BrokenPipeError, ConnectionResetError):
            pass
    assert ask(tmp_path, {"do": "echo"}) == {"said": None}


@pytest.mark.usefixtures("server")
def test_requests_in_pieces_and_several_at_once(tmp_path: Path) -> None:
    text = b'{"do": "echo", "say": 1}\n{"do": "echo", "say": 2}\n'
    with raw(tmp_path) as sock:
        for n in range(len(text)):
            sock.sendall(text[n : n + 1])
        sock.sendall(text)
        assert [said["ok"]["said"] for said in lines(sock, 4)] == [1, 2, 1, 2]


@pytest.mark.usefixtures("server")
def test_a_client_that_hangs_keeps_nobody_else(tmp_path: Path) -> None:
    with raw(tmp_path) as silent, raw(tmp_path) as greedy:
        silent.sendall(b'{"do": ')
        greedy.sendall(b'{"do": "large"}\n' * 20)  # 100 MB of answers that it does not take
        assert ask(tmp_path, {"do": "echo", "say": 7}) == {"said": 7}


@pytest.mark.usefixtures("server")
def test_a_crowd_of_clients_makes_room_for_the_next(tmp_path: Path) -> None:
    crowd = [raw(tmp_path) for _ in range(command_server.MOST_CLIENTS + 20)]
    try:
        assert ask(tmp_path, {"do": "echo", "say": 7}) == {"said": 7}
    finally:
        for sock in crowd:
            sock.close()


def test_who_waits_for_an_answer_makes_room_for_nobody(tmp_path: Path) -> None:
    asked, go = threading.Event(), threading.Event()

    def late(request: dict[str, Any]) -> dict[str, Any]:
        asked.set()
        return {"waited": go.wait(120)}

    with CommandServer(tmp_path, late), raw(tmp_path) as waiting, contextlib.ExitStack() as stack:
        waiting.sendall(b'{"do": "late"}\n')
        assert asked.wait(120)
        crowd = [stack.enter_context(raw(tmp_path)) for _ in range(command_server.MOST_CLIENTS + 20)]
        assert crowd[10].recv(1) == b""  # the silent ones make room
        go.set()
        assert lines(waiting, 1) == [{"ok": {"waited": True}}]


def test_of_many_who_would_watch_at_once_none_is_too_many(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(command_server, "MOST_LASTING", 2)
    gone: list[str] = []
    lasting = StreamReply({"said": "watch"}, lambda: gone.append("gone"))
    with CommandServer(tmp_path, lambda _: lasting), contextlib.ExitStack() as stack:
        crowd = [stack.enter_context(raw(tmp_path)) for _ in range(20)]
        for sock in crowd:
            sock.sendall(b'{"do": "watch"}\n')
        told = [lines(sock, 1)[0] for sock in crowd]
        assert sum("ok" in said for said in told) == 2
        assert all(
            said["error"]["what"] == "2 commands follow or watch a line or have borrowed one, and no more may"
            for said in told
            if "ok" not in said
        )
        assert len(gone) == 18


def test_a_line_that_cannot_be_given_back_keeps_no_place_at_the_door(tmp_path: Path) -> None:
    def fail() -> None:
        raise RuntimeError("nobody thought of this")

    with CommandServer(tmp_path, lambda _: StreamReply({"said": "watch"}, fail)) as server:
        with raw(tmp_path) as sock:
            sock.sendall(b'{"do": "watch"}\n')
            assert "ok" in lines(sock, 1)[0]
            (client,) = server._clients
        assert client.thread.join(30)
        assert "nobody thought of this" in client.thread.fault
        assert not server._clients


@pytest.mark.usefixtures("server")
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.binary(max_size=80), max_size=5))
def test_no_bytes_end_the_thread(tmp_path: Path, pieces: list[bytes]) -> None:
    with raw(tmp_path) as sock:
        for piece in pieces:
            sock.sendall(piece)
    assert ask(tmp_path, {"do": "echo", "say": 7}) == {"said": 7}


def test_nobody_answers(tmp_path: Path) -> None:
    with pytest.raises(NoServiceError, match=r"Start it: `dncd .*run`") as raised:
        ask(tmp_path, {"do": "status"})
    assert raised.value.exit_status == 3
    with pytest.raises(NoServiceError):
        ask(tmp_path / "no-such-folder", {"do": "status"})


def test_a_socket_that_a_killed_service_left_is_replaced(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as left:
        left.bind(str(tmp_path / "dncd.sock"))
    with pytest.raises(NoServiceError):
        ask(tmp_path, {"do": "echo"})
    with CommandServer(tmp_path, answer):
        assert ask(tmp_path, {"do": "echo", "say": 1}) == {"said": 1}
    assert not (tmp_path / "dncd.sock").exists()


@pytest.mark.usefixtures("server")
def test_a_socket_on_which_somebody_answers_is_not(tmp_path: Path) -> None:
    with pytest.raises(StateHeldError):
        CommandServer(tmp_path, answer)
    assert ask(tmp_path, {"do": "echo", "say": 1}) == {"said": 1}


def test_a_file_of_that_name_is_not_deleted(tmp_path: Path) -> None:
    (tmp_path / "dncd.sock").write_text("somebody's")
    with pytest.raises(RecordsError):
        CommandServer(tmp_path, answer)
    assert (tmp_path / "dncd.sock").read_text() == "somebody's"


def test_a_state_folder_with_a_long_path(tmp_path: Path) -> None:
    state = tmp_path / ("a" * 100) / ("b" * 100)
    state.mkdir(parents=True)
    before = open_files()
    with CommandServer(state, answer):
        assert ask(state, {"do": "echo", "say": 1}) == {"said": 1}
    assert not (state / "dncd.sock").exists()
    assert open_files() == before


def test_close_ends_the_thread_and_may_come_twice(tmp_path: Path) -> None:
    threads, descriptors = threading.active_count(), open_files()
    server = CommandServer(tmp_path, answer)
    with raw(tmp_path):
        server.close()
        server.close()
    assert (threading.active_count(), open_files()) == (threads, descriptors)


@pytest.mark.parametrize("said", [b"hello\n", b"{}\n", b'{"error": 3}\n', b"[1]\n", b'{"error": {"code": "x"}}\n'])
def test_something_else_answers_there(tmp_path: Path, said: bytes) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.bind(str(tmp_path / "dncd.sock"))
        other.listen()

        def speak() -> None:
            client, _ = other.accept()
            with client:
                client.recv(1000)
                client.sendall(said)

        thread = threading.Thread(target=speak)
        thread.start()
        with pytest.raises(NotDoneError, match="not dncd"):
            ask(tmp_path, {"do": "status"})
        thread.join()


def test_a_full_queue_is_no_dead_service(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other, socket.socket(socket.AF_UNIX) as first:
        other.bind(str(tmp_path / "dncd.sock"))
        other.listen(0)
        first.connect(str(tmp_path / "dncd.sock"))
        with pytest.raises(NotDoneError, match=r"did not answer within 0\.1 s"):
            ask(tmp_path, {"do": "status"}, timeout=0.1)
        with pytest.raises(StateHeldError):
            CommandServer(tmp_path, answer)


def test_a_service_that_hangs_is_told_after_the_time_out(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as other:
        other.bind(str(tmp_path / "dncd.sock"))
        other.listen()
        with pytest.raises(NotDoneError, match=r"did not answer within 0\.1 s"):
            ask(tmp_path, {"do": "status"}, timeout=0.1)


def test_one_who_waits_keeps_nobody_from_the_page_waiting(tmp_path: Path) -> None:
    began, over = threading.Event(), threading.Event()

    def answer(request: dict[str, Any]) -> dict[str, Any]:
        if request["do"] == "look":
            began.set()
            over.wait(120)
        return {"did": request["do"]}

    with CommandServer(tmp_path, answer, limits=LIMITS):
        looks = threading.Thread(target=ask, args=(tmp_path, {"do": "look"}, 20))
        looks.start()
        assert began.wait(120)
        try:
            assert ask(tmp_path, {"do": "withdraw"}, 5) == {"did": "withdraw"}
        finally:
            over.set()
            looks.join(20)


def test_who_waits_for_a_thread_that_works_already_waits_for_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its starter may be held up between the start and the note of it."""
    over, start = threading.Event(), threading.Thread.start
    ended: list[bool] = []

    def slow(self: threading.Thread) -> None:
        start(self)
        ended.append(thread.join(0.0))

    thread = Thread("slow", lambda: over.wait(120))
    with monkeypatch.context() as patched:
        patched.setattr(threading.Thread, "start", slow)
        thread.start()
    over.set()
    assert (ended, thread.join(120)) == ([False], True)
