"""Real brokers, bays and shops, killed at bad moments: nothing lost, nothing twice."""

import asyncio

import aiomqtt
import pytest

from logger.session.evidence.evidence import session_picture
from logger.shop.messages import read_from_shop, topic
from logger.store.store import Store

RECORDS = "SELECT COUNT(*) FROM records"
TO_GO = (
    "SELECT (SELECT COUNT(*) FROM records WHERE id > (SELECT records_up_to FROM forwarding))"
    " + (SELECT COUNT(*) FROM session_stamps AS s WHERE NOT EXISTS (SELECT 1"
    "    FROM forwarded_sessions AS f WHERE f.session = s.session AND f.stamp = s.stamp))"
)


def test_broker_bay_and_shop_killed_in_turn(
    bay, broker, start, here, wait_for, shop_path, facts_of, start_ns, day_ns
):
    def shop():
        return start("gather", broker.port, "shop", "--db", shop_path)

    def forward():
        return start("forward", broker.port, "bay-1", "--bay", "bay-1", "--db", bay.path)

    # The bay begins with nobody there, and logs on all the time.
    forwarding = forward()
    bay.begin(bay.store.sets.find("Bo Sanna"), start_ns + 40 * day_ns, whole_scans=False)
    bay.swing("7i", 2)
    gathering = shop()
    wait_for(shop_path, RECORDS, 32)
    # kill -9 of the shop while more is struck.
    bay.swing("8i", 3)
    gathering.kill()
    bay.swing("7i", 3)
    gathering = shop()
    wait_for(shop_path, RECORDS, 38)
    # The broker goes away and comes back; nobody else is told.
    broker.stop()
    bay.swing("7i", 2)
    first = bay.store.strikes.contacts(1, source="board")
    bay.store.strikes.set_aside(first[4], "heard it ring")
    broker.start()
    wait_for(shop_path, RECORDS, 40)
    # kill -9 of the bay's program in the middle of it.
    bay.swing("8i", 2)
    forwarding.kill()
    bay.swing("8i", 1)
    bay.end()
    assert here("forward", broker.port, "bay-1", "--bay", "bay-1", "--db", bay.path, "--once") == 0
    wait_for(bay.path, TO_GO, 0)
    gathering.kill()
    with Store.open(shop_path) as gathered:
        assert facts_of(gathered) == facts_of(bay.store)
        assert gathered.file.number("SELECT COUNT(*) FROM clashes") == 0
        # And it says what the bay says.
        mine = session_picture(bay.store, bay.store.sessions.get(1)).clubs
        name = bay.store.copies.name_of(1)
        theirs = session_picture(gathered, gathered.sessions.get(gathered.copies.find(name))).clubs
        assert [(c.club.label, c.contact, c.lie) for c in mine] == [
            (c.club.label, c.contact, c.lie) for c in theirs
        ]
    # What stands between: only a confirmation of the shop moved the mark.
    assert bay.store.forwarding.progress("north").records_to_go == 0


def link(broker, user, password):
    return aiomqtt.Client(
        "127.0.0.1", broker.port, username=user, password=password,
        protocol=aiomqtt.ProtocolVersion.V5,
    )  # fmt: skip


async def test_over_a_real_broker_doubled_reordered_and_by_a_stranger(
    bay, broker, start, everything, shop_path, wait_for, facts_of
):
    gathering = start("gather", broker.port, "shop", "--db", shop_path)
    gathering.wait_until_it_says("open")
    payloads = [p for parcel in everything for p in parcel.payloads]
    sent, kept = (topic("north", "bay-1", last) for last in ("sent", "kept"))
    for user, password in (("bay-1", "elm"), ("nobody", "ash"), (None, None)):
        with pytest.raises(aiomqtt.MqttError, match=r"(?i)not authori[sz]ed|bad user"):
            async with link(broker, user, password):
                pass
    async with link(broker, "bay-1", "ash") as client:
        await client.subscribe(kept, qos=1)
        # A bay speaks for itself alone: what bay 2 says in the name of bay 1 reaches nobody, though
        # its publication is acknowledged as any other.
        async with link(broker, "bay-2", "elm") as stranger:
            await stranger.publish(sent, payloads[0], qos=1)
        answers = []
        for payload in [*reversed(payloads), *payloads, *payloads]:
            await client.publish(sent, payload, qos=1)
        async with asyncio.timeout(60):
            async for got in client.messages:
                answers.append(read_from_shop(got.payload))
                if len(answers) == 3 * len(payloads):
                    break
    # Had the stranger been heard, the first answer would be to what it said.
    assert answers[0].message == everything[-1].message
    assert {a.message for a in answers} == {parcel.message for parcel in everything}
    gathering.kill()
    with Store.open(shop_path) as gathered:
        assert facts_of(gathered) == facts_of(bay.store)
        assert gathered.file.number("SELECT COUNT(*) FROM sessions") == 3


def test_a_wrong_password_is_one_line(bay, broker, here, capsys):
    assert here("forward", broker.port, "nobody", "--bay", "bay-1", "--db", bay.path) == 3
    said = capsys.readouterr().err
    assert "does not let nobody in" in said
    assert said.count("\n") == 1


def test_over_tls(bay, tls_broker, start, here, shop_path, secrets_folder, facts_of):
    trusted = ["--ca", secrets_folder / "ca.crt"]
    start("gather", tls_broker.port, "shop", "--db", shop_path, *trusted)
    own = ["forward", tls_broker.port, "bay-1", "--bay", "bay-1", "--db", bay.path, "--once"]
    stranger = start(*own, "--ca", secrets_folder / "stranger.crt")
    assert stranger.process.wait(60) == 3
    assert "certificate is not trusted" in stranger.said
    assert here(*own, *trusted) == 0
    with Store.open(shop_path, read_only=True) as gathered:
        assert facts_of(gathered) == facts_of(bay.store)
