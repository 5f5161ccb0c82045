r"""Bays forward strikes to a shop over MQTT 5: format `lieboard shop 1`.

A bay is a computer that logs; a shop gathers what its bays log in one data file of its own. Between
them stands an MQTT broker. The bay's data file is the queue: it notes up to which record, and in
which state of each session, the shop has confirmed to have it *on its disk*. Nothing else counts: a
broker's acknowledgement only says that the broker has a message. So broker, shop and bay may each
be away or killed at any moment; what was not confirmed is sent again, and what comes twice, late
or in another order changes nothing, because each record goes by (board, boot, sequence) and each
copy of a session by a number that only goes up.

Topics, with QoS 1 and nothing retained::

    lieboard/1/SHOP/BAY/sent    from the bay
    lieboard/1/SHOP/BAY/kept    from the shop to that bay

SHOP and BAY are 1 to 40 of ``A-Z a-z 0-9 - _``. A payload is one JSON object (RFC 8259), at most
256 KiB, with ``schema`` = ``lieboard shop 1``, ``kind``, and ``message``, a number that the answer
repeats. An unknown field is skipped; another meaning of an old one changes the schema's number.

From the bay:

``ask``
    Are you there? Sent first, until it is answered.
``records``
    Raw records in the order in which they were stored, at most 500: ``records``, a list of lists
    ``[boot, session, sequence, kind, flags, arrival_ns, struck_utc_ns, struck_u_ns, raw]``;
    ``boot`` counts in ``boots`` from 0, ``session`` in ``sessions`` or is null; ``raw`` is base64
    of each body after its length (u16, little-endian). ``boots`` are rows as in
    `logger.store.copies.columns`; ``sessions`` are ``{player, set, started_utc_ns}``.
``session``
    One of ``parts`` pieces (``part`` from 0, at most 64) of a copy of a session: JSON of
    `logger.store.copies.columns`, compressed with zlib (RFC 1950; at most 32 MiB before), cut up,
    each piece base64 in ``content``. ``edition`` goes up with every copy that this bay sends. All
    pieces have one ``message``.

From the shop:

``here``
    Answers ``ask``. ``file`` names the shop's data file: with another file than before, the bay
    sends everything again.
``kept``
    It is on the disk (committed with ``synchronous=FULL``).
``refused``
    It is not, for a ``reason`` in words. ``missing`` names a session that the shop does not have:
    the bay sends that first, then the records again.

What comes from a bay is checked before anything of it is stored: sizes, types, ranges, that raw
bytes are a record and are the record they are said to be, that each name is one that the copy has.
A bay can change only sessions of its own. Who may speak for a bay is the broker's affair: each bay
has a user of its own name, and may write only below its own topic.

Set-up
------
At the shop, with mosquitto from the system's packages; ``examples/shop`` has both files::

    mosquitto_passwd -c /etc/mosquitto/passwords shop     # then one more without -c for each bay
    cp examples/shop/lieboard.conf /etc/mosquitto/conf.d/
    cp examples/shop/lieboard.acl /etc/mosquitto/
    LIEBOARD_SHOP_PASSWORD=... lieboard shop gather --broker localhost:8883 --ca ca.crt --shop north

At each bay, beside ``lieboard log``::

    LIEBOARD_SHOP_PASSWORD=... lieboard shop forward --broker shop.lan:8883 --ca ca.crt \
        --shop north --bay bay-1

Without TLS (``--ca FILE``, or ``--tls`` for a certificate that this computer trusts anyway) nothing
is sent to another computer, for passwords and names would go in the clear; ``--no-tls`` is for a
line that is safe by itself. Nobody without user and password is let in.
"""
