"""Real brokers, bays and shops, killed at bad moments: nothing lost, nothing twice."""

import asyncio
import ssl

import aiomqtt
import pytest

from logger.session.evidence import session_picture
from logger.shop.messages import read_from_shop, topic
from logger.store.store import Store

RECORDS = "SELECT COUNT(*) FROM records"
TO_GO = (
    "SELECT (SELECT COUNT(*) FROM records WHERE id > (SELECT records_up_to FROM forwarding))"
    " + (SELECT COUNT(*) FROM session_stamps AS s WHERE NOT EXISTS (SELECT 1"
    "    FROM forwarded_sessions AS f WHERE f.session = s.session AND f.stamp = s.stamp))"
)


def test_broker_bay_and_shop_killed_in_turn(
    bay, broker, start, wait_for, shop_path, facts_of, start_ns, day_ns
):
    def shop():
        return start("gather", broker.port, "shop", "--db", shop_path)

    def forward():
        return start("forward", broker.port, "bay-1", "--bay", "bay-1", "--db", bay.path)

    # The bay begins with nobody there, and logs on all the time.
    forwarding = forward()
    bay.begin(bay.store.find_set("Bo Sanna"), start_ns + 40 * day_ns, whole_scans=False)
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
    first = bay.store.contacts(1, source="board")
    bay.store.set_aside(first[4], "heard it ring")
    broker.start()
    wait_for(shop_path, RECORDS, 40)
    # kill -9 of the bay's program in the middle of it.
    bay.swing("8i", 2)
    forwarding.kill()
    bay.swing("8i", 1)
    bay.end()
    last = start("forward", broker.port, "bay-1", "--bay", "bay-1", "--db", bay.path, "--once")
    assert last.end() == 0, last.said
    wait_for(bay.path, TO_GO, 0)
    gathering.kill()
    with Store.open(shop_path) as gathered:
        assert facts_of(gathered) == facts_of(bay.store)
        assert gathered._number("SELECT COUNT(*) FROM clashes") == 0
        # And it says what the bay says.
        mine = session_picture(bay.store, bay.store.get_session(1)).clubs
        name = bay.store.session_name(1)
        theirs = session_picture(gathered, gathered.get_session(gathered.find_session(name))).clubs
        assert [(c.club.label, c.contact, c.lie) for c in mine] == [
            (c.club.label, c.contact, c.lie) for c in theirs
        ]
    # What stands between: only a confirmation of the shop moved the mark.
    assert bay.store.forwarded("north").records_to_go == 0


def link(broker, user, password):
    return aiomqtt.Client(
        "127.0.0.1", broker.port, username=user, password=password,
        protocol=aiomqtt.ProtocolVersion.V5,
    )  # fmt: skip


async def test_doubled_and_reordered_over_a_real_broker(
    bay, broker, start, everything, shop_path, wait_for, facts_of
):
    gathering = start("gather", broker.port, "shop", "--db", shop_path)
    payloads = [p for parcel in everything for p in parcel.payloads]
    sent, kept = (topic("north", "bay-1", last) for last in ("sent", "kept"))
    async with link(broker, "bay-1", "ash") as client:
        await client.subscribe(kept, qos=1)
        # A broker's own acknowledgement comes whether or not there is a shop: it proves nothing.
        await client.publish(sent, payloads[0], qos=1)
        gathering.wait_until_it_says("open")
        for payload in [*reversed(payloads), *payloads, *payloads]:
            await client.publish(sent, payload, qos=1)
        answers = []
        async with asyncio.timeout(60):
            async for got in client.messages:
                answers.append(read_from_shop(got.payload))
                if len(answers) == 3 * len(payloads):
                    break
    assert {a.message for a in answers} == {parcel.message for parcel in everything}
    gathering.kill()
    with Store.open(shop_path) as gathered:
        assert facts_of(gathered) == facts_of(bay.store)


async def test_a_bay_speaks_for_itself_alone(broker, everything, shop_path, start, wait_for):
    """MQTT 5.0, 3.4.2.1: reason 0x87, not authorized, in answer to a publication."""
    gathering = start("gather", broker.port, "shop", "--db", shop_path)
    gathering.wait_until_it_says("open")
    async with link(broker, "bay-2", "elm") as client:
        for name in ("bay-1", "bay-2"):
            await client.publish(topic("north", name, "sent"), everything[0].payloads[0], qos=1)
        wait_for(shop_path, "SELECT COUNT(*) FROM session_origins", 1)
    wait_for(shop_path, "SELECT bay FROM session_origins", "bay-2")
    for user, password in (("bay-1", "elm"), ("nobody", "ash"), (None, None)):
        with pytest.raises(aiomqtt.MqttError, match=r"(?i)not authori[sz]ed|bad user"):
            async with link(broker, user, password):
                pass


def test_a_wrong_password_is_one_line(bay, broker, start):
    program = start("forward", broker.port, "nobody", "--bay", "bay-1", "--db", bay.path)
    assert program.end() == 3
    assert "does not let nobody in" in program.said
    assert program.said.count("\n") == 1


def test_over_tls(bay, tls_broker, start, shop_path, secrets_folder, facts_of):
    trusted = ["--ca", secrets_folder / "ca.crt"]
    start("gather", tls_broker.port, "shop", "--db", shop_path, *trusted)
    own = ["--bay", "bay-1", "--db", bay.path, "--once"]
    stranger = start(
        "forward", tls_broker.port, "bay-1", *own, "--ca", secrets_folder / "stranger.crt"
    )
    assert stranger.end() == 3
    assert "certificate is not trusted" in stranger.said
    program = start("forward", tls_broker.port, "bay-1", *own, *trusted)
    assert program.end() == 0, program.said
    with Store.open(shop_path, read_only=True) as gathered:
        assert facts_of(gathered) == facts_of(bay.store)
    # The line is TLS 1.2 or newer, by the authority of our own.
    context = ssl.create_default_context(cafile=str(secrets_folder / "ca.crt"))
    assert context.minimum_version >= ssl.TLSVersion.TLSv1_2
