"""The bare loop as a process: paho, json and SQLite, acknowledged after each commit of 50 ms.

`python bare_loop.py PORT FILE COUNT` ends when COUNT messages are stored.
"""

from __future__ import annotations

import json
import queue
import sqlite3
import sys
import time

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

CLIENT_ID = "bare-loop"
TOPICS = "tidewarden/1/+/+/+"


def client(port: int) -> paho.Client:
    """A client with a lasting session, as the service has."""
    made = paho.Client(
        CallbackAPIVersion.VERSION2, client_id=CLIENT_ID, clean_session=False, manual_ack=True
    )
    made.on_connect = lambda c, *_: c.subscribe(TOPICS, 1)
    made.connect("127.0.0.1", port)
    return made


def run(port: int, file: str, count: int) -> None:
    """Store `count` messages."""
    arrived: queue.SimpleQueue[paho.MQTTMessage] = queue.SimpleQueue()
    database = sqlite3.connect(file)
    database.execute("pragma journal_mode=wal")
    database.execute("pragma synchronous=full")
    database.execute("create table m (id integer primary key, topic text, payload text)")
    connection = client(port)
    connection.on_message = lambda _c, _u, message: arrived.put(message)
    connection.loop_start()
    print("connected", flush=True)
    stored = 0
    while stored < count:
        time.sleep(0.05)
        batch = [arrived.get() for _ in range(arrived.qsize())]
        rows = []
        for message in batch:
            json.loads(message.payload)
            rows.append((message.topic, message.payload.decode()))
        with database:
            database.executemany("insert into m (topic, payload) values (?, ?)", rows)
        for message in batch:
            connection.ack(message.mid, 1)
        stored += len(batch)
    connection.disconnect()
    connection.loop_stop()


if __name__ == "__main__":
    run(int(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
