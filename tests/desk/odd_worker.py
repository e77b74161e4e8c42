"""A worker that does what the message says: waits, dies, fails, or answers."""

import os
import sys
import time

from ui.desk.worker import receive, send


def main():
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    while (message := receive(sys.stdin.buffer)) is not None:
        time.sleep(message.get("seconds", 0))
        if message.get("die"):
            os._exit(3)
        reply = {"ticket": message["ticket"]}
        if "say" in message:
            reply["error"] = message["say"]
        elif "fault" in message:
            reply["fault"] = "Traceback\nValueError: nobody thought of this"
        else:
            reply["result"] = {"echo": message.get("echo"), "pid": os.getpid()}
        send(answers, reply)


main()
