"""A worker process: takes tasks from its standard input, gives outcomes on what was its standard output.

Each message is a length, a JSON text, and a block of bytes. A worker ends when its input ends, at once, even in the
middle of a measurement: so nothing is left over when the parent is killed.
"""

from __future__ import annotations

import json
import os
import queue
import struct
import sys
import threading
from dataclasses import asdict
from typing import IO, Any

from qca.batch.task import Outcome, Task, find_measure, perform
from qca.store.entry import Document

_LENGTHS = struct.Struct(">II")
LARGEST = 512 * 1024 * 1024


def send(file: IO[bytes], value: object, block: bytes = b"") -> None:
    """Write one message."""
    text = json.dumps(value, separators=(",", ":")).encode()
    file.write(_LENGTHS.pack(len(text), len(block)) + text + block)
    file.flush()


def receive(file: IO[bytes]) -> tuple[Any, bytes] | None:
    """Read one message; None at the end of the stream.

    Raises
    ------
    ValueError
        If the stream holds something else.
    """
    head = file.read(_LENGTHS.size)
    if len(head) < _LENGTHS.size:
        return None
    text_size, block_size = _LENGTHS.unpack(head)
    if text_size + block_size > LARGEST:
        msg = f"a message of {text_size + block_size} bytes"
        raise ValueError(msg)
    text, block = file.read(text_size), file.read(block_size)
    if len(text) < text_size or len(block) < block_size:
        return None
    return json.loads(text), block


def outcome_message(outcome: Outcome) -> tuple[dict[str, Any], bytes]:
    """Turn an outcome into a message."""
    reading = outcome.reading
    value = {"key": outcome.key, "kind": outcome.kind, "message": outcome.message, "facts": dict(outcome.facts)}
    if reading is None:
        return value, b""
    return {**value, "sha256": reading.sha256, "size": reading.size}, reading.body


def message_outcome(value: dict[str, Any], block: bytes, tries: int) -> Outcome:
    """Turn a message into an outcome."""
    reading = Document(value["sha256"], value["size"], block) if "sha256" in value else None
    return Outcome(value["key"], value["kind"], value["message"], value["facts"], reading, tries)


def task_message(task: Task) -> dict[str, Any]:
    """Turn a task into a message."""
    return asdict(task)


def main() -> None:
    """Run a worker; its one argument names the measuring function."""
    # whatever a decoder prints must not mix with the messages
    output = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    tasks: queue.SimpleQueue[Task] = queue.SimpleQueue()

    def listen() -> None:
        while (message := receive(sys.stdin.buffer)) is not None:
            tasks.put(Task(**message[0]))
        os._exit(0)

    measure = find_measure(sys.argv[1])
    _one_thread()
    threading.Thread(target=listen, daemon=True).start()
    send(output, {"event": "ready"})
    while True:
        task = tasks.get()
        send(output, {"event": "start", "key": task.key})
        value, block = outcome_message(perform(task, measure))
        send(output, {"event": "done", **value}, block)


def _one_thread() -> None:
    """One worker, one core: the pool shares out the cores."""
    try:
        import cv2
    except ImportError:  # the tests' measuring functions do without
        return
    cv2.setNumThreads(1)


if __name__ == "__main__":
    main()
