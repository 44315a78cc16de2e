"""Two services on one shop folder: the first serves a machine, the other says so and takes nothing, until it is alone."""

import json
from pathlib import Path

import pytest
from house import house
from two_machines import terminal
from waiting import until

from dncd.errors import RecordsError
from dncd.records.shop_folders import CLAIM, RENEW_S, TAKE_OVER_S, Claims, ShopFolders


class Shop:
    """Two services' claims on one folder, and their time."""

    def __init__(self, root: Path) -> None:
        self.folder, self.now = root / "shop" / "lathe", 0.0
        for name in ("old", "new"):
            (root / name).mkdir()
        self.old = Claims(root / "old", ShopFolders(root / "shop"), lambda: self.now)
        self.new = Claims(root / "new", ShopFolders(root / "shop"), lambda: self.now)


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


def test_a_claim_that_changes_is_alive_however_wrong_a_clock_is(shop: Shop) -> None:
    for _ in range(40):
        assert shop.old.keep("lathe")
        assert not shop.new.keep("lathe")
        shop.now += TAKE_OVER_S / 2
    problem = shop.new.problems["lathe"]
    assert "another dncd serves this folder" in problem.what
    assert problem.where == str(shop.folder / CLAIM)
    with pytest.raises(RecordsError, match="another dncd"):
        shop.new.check("lathe")
    shop.old.check("lathe")


def test_a_claim_is_renewed_many_times_in_the_time_after_which_it_is_dead_and_not_at_each_look(shop: Shop) -> None:
    beats = []
    for _ in range(int(TAKE_OVER_S)):
        assert shop.old.keep("lathe")
        beats.append(json.loads((shop.folder / CLAIM).read_bytes())["beat"])
        shop.now += 1.0
    assert beats[int(RENEW_S) - 1] == beats[0]
    assert len(set(beats)) == TAKE_OVER_S / RENEW_S >= 5


def test_what_a_dead_service_left_is_taken_over_after_the_stated_time(shop: Shop) -> None:
    assert shop.old.keep("lathe")
    assert not shop.new.keep("lathe")
    shop.now += TAKE_OVER_S - 0.1
    assert not shop.new.keep("lathe")
    shop.now += 0.2
    assert shop.new.keep("lathe")
    shop.new.check("lathe")
    assert not shop.new.problems
    assert not shop.old.keep("lathe")  # the old one was only asleep: it sees who has the folder now


@pytest.mark.parametrize("how", ["removed by hand", "given up"])
def test_a_claim_that_is_gone_is_taken_at_once(shop: Shop, how: str) -> None:
    assert shop.old.keep("lathe")
    assert not shop.new.keep("lathe")
    if how == "given up":
        shop.new.give_up("lathe")
        assert (shop.folder / CLAIM).exists()  # another's is not given up
        shop.old.give_up("lathe")
    else:
        (shop.folder / CLAIM).unlink()
    assert shop.new.keep("lathe")


def test_the_same_state_folder_claims_anew_after_a_start(shop: Shop, tmp_path: Path) -> None:
    assert shop.old.keep("lathe")
    assert Claims(tmp_path / "old", ShopFolders(tmp_path / "shop")).keep("lathe")


@pytest.mark.parametrize("claim", [b"", bytes(60), b'{"who": "a@b", "ho', b"[]", b"\xff", b"{" * 5000])
def test_a_claim_that_a_power_cut_tore_is_none_and_is_replaced_at_once(shop: Shop, claim: bytes) -> None:
    shop.folder.mkdir(parents=True)
    (shop.folder / CLAIM).write_bytes(claim)
    shop.new.check("lathe")
    assert shop.new.keep("lathe")
    assert not shop.old.keep("lathe")


def test_a_claim_that_is_a_link_is_replaced_and_not_written_through(shop: Shop, tmp_path: Path) -> None:
    shop.folder.mkdir(parents=True)
    (tmp_path / "precious").write_text("mine")
    (shop.folder / CLAIM).symlink_to(tmp_path / "precious")
    assert shop.new.keep("lathe")
    assert (tmp_path / "precious").read_text() == "mine"
    assert not (shop.folder / CLAIM).is_symlink()


def test_two_services_on_one_shop_folder_send_each_program_once_in_all(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    (tmp_path / "a" / "shop").mkdir()
    (tmp_path / "b" / "shop").symlink_to(tmp_path / "a" / "shop")
    with terminal() as one, terminal() as other, house(tmp_path / "a", lathe=one) as first:
        with house(tmp_path / "b", lathe=other) as second:
            trouble = lambda: json.loads(second.dncd("status", "--json").stdout)["machines"]["lathe"]["trouble"]  # noqa: E731
            until(lambda: any("another dncd serves this folder" in what for what in trouble()))
            names = [f"{number}.nc" for number in range(20)]
            for number, name in enumerate(names):
                first.drop("lathe", name, f"%\nO{number:04}\nM30\n%\n".encode())
            for name in names:
                assert first.receipt("lathe", "sent", name).get("result") == "sent"
            sent = [line["file"] for shop in (first, second) for line in shop.ledger() if line["event"] == "sent"]
            assert sorted(sent) == sorted(names)
            assert [line["event"] for line in second.ledger()] == ["started"]
            assert first.stop() == 0
            until(lambda: not trouble())
            second.drop("lathe", "last.nc", b"%\nO0099\nM30\n%\n")
            assert second.receipt("lathe", "sent", "last.nc").get("result") == "sent"
        assert [line["file"] for line in second.ledger() if line["event"] == "sent"] == ["last.nc"]
