"""Settings: what the contract promises of the one TOML file, from its text to `Settings`."""

import ast
import itertools
import re
import tomllib
from dataclasses import fields, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dncd import defaults
from dncd.choices import BlockEnd, EndsOn, Flow, LowerCase, Protocol, StartOn, TapeCode, Weight, characters
from dncd.errors import SettingsError
from dncd.outside import config, config_shown
from dncd.outside.config_rules import KINDS, PROFILES, TABLES, profile_text
from dncd.values import Frame, MachineSettings, Settings

LATHE = '[machines.gang-lathe.line]\nport = "/dev/ttyS0"\n'
EIA_LATHE = '[machines.gang-lathe.line]\nport = "/dev/x"\nframe = "8N1"\n[machines.gang-lathe.tape]\ncode = "eia"\n'


def read(folder: Path, text: str, name: str = "dncd.toml") -> Settings:
    file = folder / name
    file.write_text(text, "utf-8")
    return config.load(file)


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(SettingsError) as raised:
        read(folder, text)
    assert raised.value.exit_status == 2
    assert str(folder / "dncd.toml") in str(raised.value)
    return list(raised.value.problems)


def lathe(folder: Path, text: str) -> MachineSettings:
    return read(folder, text).machines["gang-lathe"]


def test_only_a_port_is_needed_and_the_rest_has_the_defaults(tmp_path: Path) -> None:
    settings = read(tmp_path, LATHE)
    machine = settings.machines["gang-lathe"]
    assert (settings.shop.folder, settings.shop.state) == (tmp_path / "shop", tmp_path / "state")
    assert settings.file == tmp_path / "dncd.toml"
    # contract 3, the values of its example
    line = machine.line
    assert (line.port, line.baud, str(line.frame), line.ahead_chars) == ("/dev/ttyS0", 4800, "7E2", 8)
    assert (line.protocol, line.flow) == (Protocol.PLAIN, Flow.XON_XOFF)
    tape = machine.tape
    assert (tape.code, tape.block_end, tape.mark, tape.mark_at.value) == (TapeCode.ISO, BlockEnd("LF"), "%", "both")
    assert (tape.leader_chars, tape.trailer_chars) == (0, 0)
    send = machine.send
    assert (send.start_on, send.dc1_stays_s, send.drip_feed, send.stall_s) == (StartOn.DC1, 60, False, 600)
    assert (machine.receive.ends_on, machine.receive.silence_s) == (EndsOn.MARK, 5.0)
    program = machine.program
    assert (program.memory_chars, program.longest_block_chars, program.lower_case) == (31496, 80, LowerCase.REFUSE)
    assert (settings.shop.watch.value, settings.shop.settle_s) == ("events", 1.0)
    assert (settings.shop.file_line_end.value, settings.shop.file_extension) == ("CRLF", ".nc")


def test_relative_paths_start_at_the_folder_of_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "etc").mkdir()
    monkeypatch.chdir(tmp_path)
    text = '[shop]\nfolder = "../shop/./all"\nstate = "/var/lib/dncd"\n' + LATHE
    (tmp_path / "etc/dncd.toml").write_text(text)
    shop = config.load(Path("etc/dncd.toml")).shop
    assert (shop.folder, shop.state) == (tmp_path / "shop/all", Path("/var/lib/dncd"))


def test_machines_keep_the_order_of_the_file(tmp_path: Path) -> None:
    names = ["z", "a", "m-2"]
    text = "".join(f'[machines.{name}.line]\nport = "/dev/tty{name}"\n' for name in names)
    assert list(read(tmp_path, text).machines) == names


def test_every_fault_of_a_file_is_told_at_once(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        """
        [shop]
        setle_s = 2
        [machines.gang-lathe.line]
        port = "ttyUSB0"
        buad = 9600
        frame = "9X3"
        flow = "xon-xoff"
        [machines.gang-lathe.send]
        start_on = "whenever"
        stall_s = "600"
        """,
    )
    assert len(found) == 7
    assert found[0] == "dncd.toml: [shop] setle_s = 2: unknown key; did you mean 'settle_s'?"
    assert found[1].startswith(
        'dncd.toml: [machines.gang-lathe.line] port = "ttyUSB0": allowed: a path that starts with /'
    )
    assert found[1].endswith("did you mean '/dev/ttyUSB0'?")
    assert found[2] == "dncd.toml: [machines.gang-lathe.line] buad = 9600: unknown key; did you mean 'baud'?"
    assert found[3].startswith('dncd.toml: [machines.gang-lathe.line] frame = "9X3": allowed: data bits 5 to 8')
    assert found[4].endswith(
        'flow = "xon-xoff": allowed: one of "xon/xoff", "rts/cts", "dtr/dsr", "none", "asked"; did you mean \'xon/xoff\'?'
    )
    assert found[5].endswith('start_on = "whenever": allowed: one of "dc1", "cts", "dsr", "go", "now"')
    assert found[6].endswith('stall_s = "600": allowed: a number of seconds from 1 to 86400')


@pytest.mark.parametrize(
    ("table", "wrong"),
    [
        ("shop", "settle_s = 0.04"),
        ("shop", "settle_s = 601"),
        ("shop", "settle_s = true"),
        ("shop", 'watch = "event"'),
        ("shop", 'file_line_end = "crlf"'),
        ("shop", 'file_extension = "nc"'),
        ("shop", 'file_extension = ".tmp"'),
        ("shop", 'file_extension = "./x"'),
        ("shop", "folder = 3"),
        ("shop", 'folder = ""'),
        ("line", "baud = 9601"),
        ("line", "baud = 9600.0"),
        ("line", 'baud = "9600"'),
        ("line", "baud = true"),
        ("line", 'frame = "7e2"'),
        ("line", "frame = 72"),
        ("line", 'protocol = "zmodem"'),
        ("line", "ahead_chars = 0"),
        ("line", "ahead_chars = 4097"),
        ("line", "ahead_chars = 8.0"),
        ("tape", 'code = "ascii"'),
        ("tape", 'block_end = "NUL LF"'),
        ("tape", 'block_end = "CR LF LF LF LF"'),
        ("tape", 'block_end = "A"'),
        ("tape", "block_end = []"),
        ("tape", 'block_end = ["CR", 10]'),
        ("tape", "block_end = 10"),
        ("tape", 'block_end = "cr nul nul"'),
        ("tape", 'mark = ""'),
        ("tape", 'mark = "%%"'),
        ("tape", 'mark = "N"'),
        ("tape", 'mark = "("'),
        ("tape", 'mark = " "'),
        ("tape", 'mark = "é"'),
        ("tape", "leader_chars = -1"),
        ("tape", "trailer_chars = 10001"),
        ("tape", 'eia_codes = { "(" = 0x1B }'),  # four holes
        ("tape", 'eia_codes = { "(" = 0x80 }'),  # EOB
        ("tape", 'eia_codes = { "(" = 0x13 }'),  # the digit 3 (RS-244)
        ("tape", 'eia_codes = { "((" = 0x2C }'),
        ("tape", 'eia_codes = { "(" = true }'),
        ("tape", 'eia_codes = { "(" = 0x2C, ")" = 0x2C }'),
        ("tape", "eia_codes = [1]"),
        ("send", "drip_feed = 1"),
        ("send", 'drip_feed = "yes"'),
        ("send", "dc1_stays_s = -1"),
        ("send", "dc1_stays_s = 86401"),
        ("send", "stall_s = 0"),
        ("send", "stall_s = nan"),
        ("send", "stall_s = inf"),
        ("send", "stall_s = 07:32:00"),
        ("send", "stall_s = [600]"),
        ("send", "stall_s = 1" + "0" * 400),
        ("send", 'start_on = ["dc1"]'),
        ("send", "start_on = 1"),
        ("line", "flow = { a = 1 }"),
        ("line", "baud = [9600]"),
        ("tape", "mark = 37"),
        ("receive", 'ends_on = "etx"'),
        ("receive", "silence_s = 0"),
        ("program", "memory_chars = 0"),
        ("program", "longest_block_chars = 0"),
        ("program", 'lower_case = "Raise"'),
        ("program", 'begins_with = " BEGIN"'),
        ("program", 'ends_with = "END  PART"'),
        ("program", 'name_from = "comment"'),
        ("program", 'name_from = ["title"]'),
        ("program", 'name_from = ["comment", "number"]'),
        ("program", 'name_from = ["comment", "comment"]'),
        ("program", "name_from = [[]]"),
        ("program", 'replace = "UE"'),
        ("program", 'replace = { "U" = "UE" }'),  # a character that the code has
        ("program", 'replace = { "ÜÄ" = "UE" }'),
        ("program", 'replace = { "" = "UE" }'),
        ("program", 'replace = { "\\u0085" = "UE" }'),
        ("program", 'replace = { "Ü" = "" }'),  # left out
        ("program", 'replace = { "Ü" = "Ä", "Ä" = "AE" }'),
        ("program", 'replace = { "Ü" = "UE", "ß" = "(S" }'),
        ("program", 'replace = { "²" = "2" }'),
        ("program", 'replace = { "Ü" = "%" }'),
        ("program", 'replace = { "Ü" = "U\\n" }'),
        ("program", 'replace = { "Ü" = 5 }'),
    ],
)
def test_an_impossible_value_is_named_with_what_is_allowed(tmp_path: Path, table: str, wrong: str) -> None:
    name = "shop" if table == "shop" else f"machines.gang-lathe.{table}"
    text = LATHE + wrong if table == "line" else f"{LATHE}[{name}]\n{wrong}\n"
    found = faults(tmp_path, text)
    key = wrong.partition(" ")[0]
    assert len(found) == 1
    assert found[0].startswith(f"dncd.toml: [{name}] {key} = ")
    assert f": allowed: {KINDS[table].rules[key].allowed}" in found[0]


@pytest.mark.parametrize(
    ("wrong", "what"),
    [
        ('block_end = ["CR", "CR"]', 'block_end = "CR CR": EIA code has no byte for CR; EOB ends a block'),
        ('block_end = "; EOB"', 'block_end = "; EOB": EIA code has no byte for ;; give it one in tape.eia_codes'),
        ('mark = "$"', 'mark = "$": EIA code has no byte for $; give it one in tape.eia_codes'),
        ('block_end = "$ EOB"\nmark = "$"\neia_codes = { "$" = 0x0D }', "what ends a block cannot be a mark as well"),
    ],
)
def test_what_eia_code_has_not_ends_no_block(tmp_path: Path, wrong: str, what: str) -> None:
    (said,) = faults(tmp_path, EIA_LATHE + wrong)
    assert said.startswith("dncd.toml: [machines.gang-lathe.tape] ")
    assert what in said


def test_a_block_end_is_any_list_of_characters_and_an_old_one_is_read_on(tmp_path: Path) -> None:
    for text, end in (('["CR", "CR", "LF"]', "CR CR LF"), ('"; LF"', "; LF"), ('["CR", "NUL", "NUL"]', "CR NUL NUL")):
        assert lathe(tmp_path, f"{LATHE}[machines.gang-lathe.tape]\nblock_end = {text}\n").tape.block_end == end
    own = EIA_LATHE + 'block_end = ["EOB", ";"]\neia_codes = { ";" = 0x0D }\n'
    assert lathe(tmp_path, own).tape.ends.chars == "\n;"
    (tmp_path / "dncd.toml").write_text(EIA_LATHE + 'block_end = "CR LF"\n')
    settings = config.load(tmp_path / "dncd.toml")
    tape = settings.machines["gang-lathe"].tape
    assert (tape.block_end, tape.ends) == ("CR LF", "EOB")
    assert 'block_end = "CR LF" is read as "EOB", for EIA code has no CR; write it so' in settings.hints[0]


def test_whole_numbers_are_fine_where_seconds_are_meant(tmp_path: Path) -> None:
    assert lathe(tmp_path, LATHE + "[machines.gang-lathe.send]\nstall_s = 3\n").send.stall_s == 3


@pytest.mark.parametrize(
    "port", ["/dev/ttyS0", "/dev/serial/by-id/usb-a b", "socket://10.0.0.9:4001", "rfc2217://bay-5.example:65535",
             "socket://[fe80::1]:1"],
)  # fmt: skip
def test_ports_that_are_allowed(tmp_path: Path, port: str) -> None:
    assert lathe(tmp_path, f'[machines.gang-lathe.line]\nport = "{port}"').line.port == port


@pytest.mark.parametrize(
    "port", ["COM3", "ttyS0", "./tty", "", "socket://", "socket://host", "socket://host:0", "socket://host:65536",
             "socket://host:4001/x", "rfc2217://:4001", "http://host:80", "socket://a b:3"],
)  # fmt: skip
def test_ports_that_are_not(tmp_path: Path, port: str) -> None:
    assert len(faults(tmp_path, f'[machines.gang-lathe.line]\nport = "{port}"')) == 1


def test_a_machine_without_a_port(tmp_path: Path) -> None:
    for text in ("[machines.gang-lathe]\n", "[machines.gang-lathe.line]\nbaud = 9600\n"):
        (said,) = faults(tmp_path, text)
        assert said.startswith("dncd.toml: [machines.gang-lathe.line]: port: missing")


@pytest.mark.parametrize("name", ["Lathe 2", "-x", "x-", "lathe_2", "dreh\u00e4", "../x", "a" * 65, ""])
def test_names_that_no_machine_may_have(tmp_path: Path, name: str) -> None:
    (said,) = faults(tmp_path, f'[machines."{name}".line]\nport = "/dev/x"\n')
    assert "a-z, 0-9 and -" in said


def test_one_port_serves_one_machine_whatever_it_is_called(tmp_path: Path) -> None:
    (tmp_path / "port").touch()
    (tmp_path / "other-name").symlink_to("port")
    text = f'[machines.a.line]\nport = "{tmp_path}/port"\n[machines.b.line]\nport = "{tmp_path}/other-name"\n'
    (said,) = faults(tmp_path, text)
    assert "[machines.b.line] port" in said
    assert "[machines.a.line] has the same port" in said
    text = '[machines.a.line]\nport = "socket://Host:1"\n[machines.b.line]\nport = "socket://host:1"\n'
    assert len(faults(tmp_path, text)) == 1


@pytest.mark.parametrize(("folder", "state"), [("x", "x"), ("x", "x/state"), ("x/y", "x"), (".", "state")])
def test_shop_and_state_may_not_lie_in_each_other(tmp_path: Path, folder: str, state: str) -> None:
    (said,) = faults(tmp_path, f'[shop]\nfolder = "{folder}"\nstate = "{state}"\n{LATHE}')
    assert "[shop] state" in said
    assert "neither may lie in the other" in said


def test_a_frame_without_quotes_which_is_a_number_is_told_as_that(tmp_path: Path) -> None:
    (said,) = faults(tmp_path, f"{LATHE}frame = 7E2\n")
    assert said.endswith('; put it in quotes, such as frame = "7E2"')


@pytest.mark.parametrize(
    ("line", "tape", "key"),
    [
        ("", 'code = "eia"', "frame"),  # RS-244 has its own parity: the default 7E2 cannot carry it
        ('frame = "8E1"', 'code = "eia"', "frame"),
        ('protocol = "xmodem"', "", "frame"),  # XMODEM reference 7.2: eight bits, no parity
        ('protocol = "xmodem-1k"\nframe = "8O1"', "", "frame"),
        ('frame = "5N1"', "", "frame"),
        ('frame = "8N1"', 'code = "eia"\nmark = "$"', "mark"),
    ],
)
def test_what_cannot_go_together(tmp_path: Path, line: str, tape: str, key: str) -> None:
    (said,) = faults(tmp_path, f"{LATHE}{line}\n[machines.gang-lathe.tape]\n{tape}\n")
    assert f"] {key} = " in said


def test_what_can_go_together(tmp_path: Path) -> None:
    tape = '[machines.gang-lathe.tape]\ncode = "eia"\nmark = "$"\neia_codes = { "$" = 0x0B, "%" = 0x5B }\n'
    machine = lathe(tmp_path, f'{LATHE}frame = "8N2"\n{tape}')
    assert machine.tape.eia_codes == (("$", 0x0B), ("%", 0x5B))
    assert lathe(tmp_path, LATHE + 'frame = "8E1"').line.frame == Frame.parse("8E1")


@pytest.mark.parametrize(
    ("table", "key", "what"),
    [
        ('[machines.gang-lathe.send]\nbefore = "LOAD"', "before", "texts in single quotes, and NUL, SOH"),
        ('[machines.gang-lathe.send]\nwait_for = "ACK"', "wait_for", "set before"),
        (
            'frame = "8N1"\n[machines.gang-lathe.tape]\ncode = "eia"\n[machines.gang-lathe.send]\nafter = "SUB"',
            "after",
            "eia code has no byte for the character 0x1A",
        ),
        ('frame = "8N1"\nprotocol = "xmodem"\n[machines.gang-lathe.send]\nbefore = "ENQ"', "before", "packets"),
    ],
)
def test_what_cannot_be_said_around_a_program(tmp_path: Path, table: str, key: str, what: str) -> None:
    (said,) = faults(tmp_path, f"{LATHE}{table}\n")
    assert f"] {key} = " in said
    assert what in said


def test_words_around_a_program(tmp_path: Path) -> None:
    text = f"{LATHE}[machines.gang-lathe.send]\nbefore = \"'COPY A B' CR LF ENQ\"\nwait_for = \"ACK '>'\"\n"
    send = lathe(tmp_path, text).send
    assert (characters(send.before), characters(send.wait_for)) == (b"COPY A B\r\n\x05", b"\x06>")


@pytest.mark.parametrize(
    ("frame", "wire"), [("7M1", "8N1 with the eighth bit always 1"), ("7S2", "8N2 with the eighth bit always 0")]
)
def test_mark_and_space_parity_are_explained_as_they_are_on_the_wire(tmp_path: Path, frame: str, wire: str) -> None:
    explained = config_shown.explain(read(tmp_path, f'{LATHE}frame = "{frame}"\n'))
    assert f"; on the wire {wire}\n" in explained
    assert "on the wire" not in config_shown.explain(read(tmp_path, LATHE))


def test_tables_and_keys_at_the_wrong_place(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        """
        settle_s = 1
        [shops]
        [shop.more]
        [machines.gang-lathe]
        baud = 4800
        [machines.gang-lathe.lien]
        x = 1
        [machines.gang-lathe.line]
        port = "/dev/x"
        silence_s = 3
        """,
    )
    assert sorted(found) == sorted([
        "dncd.toml: settle_s = 1: stands in no table; tables are [shop], [library], [page] and [machines.NAME]; "
        "this key belongs in [shop]",
        "dncd.toml: [shops]: unknown table; tables are [shop], [library], [page] and [machines.NAME]; did you mean 'shop'?",
        "dncd.toml: [shop.more]: unknown table; keys here are folder, state, watch, settle_s, file_line_end, "
        "file_extension, metrics",
        "dncd.toml: [machines.gang-lathe] baud = 4800: unknown key; it belongs in [machines.gang-lathe.line]",
        "dncd.toml: [machines.gang-lathe.lien]: unknown table; did you mean 'line'?",
        "dncd.toml: [machines.gang-lathe.line] silence_s = 3: unknown key; it belongs in [machines.gang-lathe.receive]",
    ])  # fmt: skip


@pytest.mark.parametrize("text", ["", "machines = 3", "[machines]\nx = 3", "shop = 3\n" + LATHE, "[[machines]]"])
def test_what_is_no_table(tmp_path: Path, text: str) -> None:
    assert len(faults(tmp_path, text)) == 1


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ("[shop]\nfolder = \n", 2, 10),
        ('[shop]\nstate = "a\n', 2, 11),
        ("[shop]\na = 1\na = 2\n", 3, 6),
        ("[shop", 1, 6),
    ],
)
def test_what_is_no_toml_is_placed(tmp_path: Path, text: str, line: int, column: int) -> None:
    (said,) = faults(tmp_path, text)
    assert said.startswith(f"dncd.toml: line {line}, column {column}: not TOML: ")


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for file, words in ((tmp_path / "none.toml", "no such settings file"), (tmp_path, "it is a folder")):
        with pytest.raises(SettingsError, match=words) as raised:
            config.load(file)
        assert raised.value.exit_status == 2
    (tmp_path / "latin.toml").write_bytes(b'[shop]\nfolder = "Dreherei M\xfcller"\n')
    with pytest.raises(SettingsError, match="line 2: byte 0xFC is not UTF-8"):
        config.load(tmp_path / "latin.toml")


def test_a_byte_order_mark_and_cr_lf_are_no_fault(tmp_path: Path) -> None:
    (tmp_path / "dncd.toml").write_bytes(b"\xef\xbb\xbf" + LATHE.replace("\n", "\r\n").encode())
    assert list(config.load(tmp_path / "dncd.toml").machines) == ["gang-lathe"]


def test_what_is_wrong_is_told_in_printable_characters(tmp_path: Path) -> None:
    found = faults(tmp_path, LATHE + 'frame = "\\u001b[31m\\u202e"\n"\\u0007key" = 1\n')
    assert len(found) == 2
    assert all(line.isprintable() for line in found)


@given(st.text(max_size=60))
def test_no_text_makes_anything_but_settings_or_their_error(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    folder = tmp_path_factory.getbasetemp()
    for whole in (text, f"{LATHE}frame = {text}", f'[machines."{text}".line]\nport = "/dev/x"'):
        file = folder / "any.toml"
        file.write_bytes(whole.encode("utf-8", "surrogatepass"))
        told: tuple[str, ...] = ()
        try:
            config.load(file)
        except SettingsError as error:
            told = error.problems or ("",)
        assert all(line.isprintable() and line for line in told), told


# --- profiles --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("profile", PROFILES)
def test_every_profile_holds_and_says_what_it_assumes(tmp_path: Path, profile: str) -> None:
    text = profile_text(profile)
    machine = lathe(tmp_path, f'[machines.gang-lathe]\nprofile = "{profile}"\n' + LATHE)
    assert machine.line.port == "/dev/ttyS0"
    assert text.startswith(f"# {profile}: ")
    assert "# Assumes: " in text
    assert "# From: " in text
    for table, keys in tomllib.loads(text).items():  # each key of the profile is in force
        assert isinstance(keys, dict)
        for key, value in keys.items():
            assert KINDS[table].rules[key].check(value) == getattr(getattr(machine, table), key)


def test_every_key_overrides_the_profile(tmp_path: Path) -> None:
    text = f'[machines.gang-lathe]\nprofile = "eia-tape"\n{LATHE}baud = 300\n[machines.gang-lathe.tape]\ncode = "iso"\n'
    machine = lathe(tmp_path, text)
    assert (machine.line.baud, str(machine.line.frame), machine.tape.code) == (300, "8N2", TapeCode.ISO)


def test_an_unknown_profile_names_the_near_one(tmp_path: Path) -> None:
    (said,) = faults(tmp_path, '[machines.gang-lathe]\nprofile = "iso"\n' + LATHE)
    assert said.endswith("did you mean 'iso-tape'?")


# --- what holds ------------------------------------------------------------------------------------------------------


def test_what_holds_is_a_settings_file_that_says_the_same(tmp_path: Path) -> None:
    text = """
    [shop]
    folder = "a b"
    settle_s = 0.25
    [machines.gang-lathe]
    title = 'Gang "lathe", bay 2 ä'
    profile = "paced-reader"
    [machines.gang-lathe.line]
    port = "/dev/ttyS0"
        baud = 300
    [machines.bore-mill.line]
    port = "rfc2217://bay-5.example:4001"
    frame = "8N2"
    [machines.bore-mill.tape]
    code = "eia"
    eia_codes = { "(" = 0x2C, "$" = 0x5B }
    [machines.bore-mill.program]
    name_from = ["sent", "comment"]
    replace = { "Ü" = "UE", "ß" = "]" }
    """
    first = read(tmp_path, text)
    shown = config_shown.explain(first)
    assert replace(read(tmp_path, shown, "again.toml"), file=first.file) == first
    assert "27.27 characters a second" in shown  # 300 / 11, standards: serial arithmetic
    assert "baud = 4800    # default" in shown
    assert 'name_from = ["number", "sent", "comment"]\n' in shown
    assert config_shown.plain(first)["machines"]["gang-lathe"]["program"]["name_from"] == ["number"]
    assert 'replace = { "Ü" = "UE", "ß" = "]" }\n' in shown
    assert first.machines["bore-mill"].program.replace == (("Ü", "UE"), ("ß", "]"))
    assert config_shown.plain(first)["machines"]["bore-mill"]["program"]["replace"] == {"Ü": "UE", "ß": "]"}


def test_what_holds_shows_every_key(tmp_path: Path) -> None:
    shown = config_shown.explain(read(tmp_path, LATHE))
    for kind in TABLES.values():
        for f in fields(kind):
            assert re.search(rf"^{f.name} = ", shown, re.MULTILINE), f.name


# --- ranges ----------------------------------------------------------------------------------------------------------


def test_ranges_are_those_that_the_defaults_give() -> None:
    """Each `(LOW to HIGH)` in the text under a number of `dncd.defaults` is the range of the setting of that name."""
    ranges = {}
    body = ast.parse(Path(defaults.__file__).read_text("utf-8")).body
    for name, text in itertools.pairwise(body):
        if isinstance(name, ast.AnnAssign) and isinstance(text, ast.Expr) and isinstance(name.target, ast.Name):
            said = ast.literal_eval(text.value)
            if found := re.search(r"\(([\d.]+) to (\d+)\)", said):
                ranges[name.target.id] = found.groups()
    checked = 0
    for kind in KINDS.values():
        for key, rule in kind.rules.items():
            found = ranges.get(key.upper()) or ranges.get(f"{key.upper()}_CHARS")
            if found:
                assert rule.allowed.endswith(f"from {found[0]} to {found[1]}"), key
                checked += 1
    assert checked == len(ranges) >= 7


FINDINGS = LATHE + "[machines.gang-lathe.program.findings]\n"


def test_findings_have_the_weight_that_the_settings_give(tmp_path: Path) -> None:
    program = lathe(tmp_path, FINDINGS + 'no-end = "refuse"\nodd-word = "off"\ncomment-nested = "warn"\n').program
    assert program.findings == (("no-end", Weight.REFUSE), ("odd-word", Weight.OFF)), "those that are not as shipped"


def test_a_finding_that_there_is_not_names_the_nearest(tmp_path: Path) -> None:
    text = 'no_end = "refuse"\nodd-word = "maybe"\nuncodable = "warn"\nxyzzy = "off"\nempty = "refuse"\n'
    found = faults(tmp_path, FINDINGS + text)
    assert len(found) == 4
    assert all("[machines.gang-lathe.program.findings]" in line for line in found)
    assert "did you mean 'no-end'?" in found[0]
    assert '"refuse", "warn", "off"' in found[1]
    assert "cannot be sent" in found[2]
    assert "known are empty," in found[3]


def test_the_lowest_number_is_not_above_the_highest(tmp_path: Path) -> None:
    program = LATHE + "[machines.gang-lathe.program]\n"
    assert "no program number" in faults(tmp_path, program + "lowest_number = 9000\nhighest_number = 8999\n")[0]
    assert lathe(tmp_path, program + "lowest_number = 1\nhighest_number = 9999\n").program.highest_number == 9999


# --- words that were renamed -----------------------------------------------------------------------------------------

OF_OLD = (
    LATHE
    + """ahead = 5
[machines.gang-lathe.program]
machine_edits = "hold"
lower_case = "raise"
"""
)


def test_words_of_old_are_read_on_with_a_hint_for_each(tmp_path: Path) -> None:
    settings = read(tmp_path, OF_OLD)
    machine = settings.machines["gang-lathe"]
    assert machine.line.ahead_chars == 5
    assert (machine.program.machine_edits.value, machine.program.lower_case.value) == ("refuse", "upper")
    line, edits, case = settings.hints
    still = "now; the old word is still read"
    assert line == f"dncd.toml: [machines.gang-lathe.line] ahead = 5 is written ahead_chars = 5 {still}"
    assert 'machine_edits = "hold" is written machine_edits = "refuse"' in edits
    assert 'lower_case = "raise" is written lower_case = "upper"' in case
    again = read(tmp_path, config_shown.explain(settings), "again.toml")
    assert replace(again, file=settings.file) == settings
    assert again.hints == ()


def test_a_word_of_old_overrides_the_profile_and_is_checked_as_the_new_one(tmp_path: Path) -> None:
    profile = '[machines.gang-lathe]\nprofile = "paced-reader"\n' + LATHE
    assert lathe(tmp_path, profile + "ahead = 3").line.ahead_chars == 3
    wrong, hint = faults(tmp_path, LATHE + "ahead = 0")
    assert wrong.endswith("ahead_chars = 0: allowed: a whole number of characters from 1 to 4096")
    assert "ahead = 0 is written ahead_chars" in hint


def test_a_key_under_both_its_names_is_a_fault(tmp_path: Path) -> None:
    (said,) = faults(tmp_path, LATHE + "ahead = 3\nahead_chars = 3")
    assert "ahead = 3: unknown key; did you mean 'ahead_chars'?" in said
