"""A sender of G-code to printers, by the printcore of Debian's printrun-common, for
interop_linux_test.go.

printer_host.py PACKAGES PORT. It waits until the machine is there. On standard input,
"job LINE|LINE|..." sends a job, with line numbers and check sums, and comes back when
all of it is acknowledged with how many lines went out again; "send BEGIN LINE" sends a
line as it is, and comes back with what is said from a line that begins so until "ok".
"""
import os
import queue
import sys
import threading
import time

sys.path.insert(0, sys.argv[1])
from printrun import gcoder, printcore as core  # noqa: E402

said = queue.Queue()
online = threading.Event()
sent = []
host = core.printcore()
host.onlinecb = online.set
host.recvcb = lambda line: said.put(line.strip())
host.sendcb = lambda line, _: sent.append(line)
done = threading.Event()
host.endcb = done.set
host.connect(sys.argv[2], 115200)
online.wait()
print("ready printcore", core.__version__ if hasattr(core, "__version__") else "of printrun", flush=True)


def obey():
    """Hands on the orders, and ends with them, whatever is waited for."""
    for text in sys.stdin:
        orders.put(text)
    os._exit(0)


orders = queue.Queue()
threading.Thread(target=obey, daemon=True).start()
while True:
    line = orders.get()
    word, _, rest = line.rstrip("\n").partition(" ")
    if word == "job":
        lines = rest.split("|")
        done.clear()
        del sent[:]
        host.startprint(gcoder.LightGCode(lines))
        done.wait()
        while not host.clear:
            time.sleep(0.001)
        numbered = [s for s in sent if s.startswith("N") and "M110" not in s]
        print(len(numbered) - len(lines), flush=True)
    elif word == "send":
        begins, _, order = rest.partition(" ")
        while not said.empty():
            said.get()
        host.send_now(order)
        answer = []
        while not answer or not answer[-1].startswith("ok"):
            text = said.get()
            if answer or text.startswith(begins):
                answer.append(text)
        print("|".join(answer), flush=True)
