"""A sender of G-code to milling machines, by the controller of Debian's bcnc without
its windows, for interop_linux_test.go.

milling_host.py PACKAGE PORT. The package's own code decides which lines are answers,
states and alarms, and keeps count of what is still unanswered. On standard input,
"send LINE" sends a line and waits until it counts as answered, "byte XX" sends a
real-time byte, "status" asks for the status, "reset" resets and waits for the greeting,
which names another maker than the package knows. Each comes back with
STATE|X|Y|Z|UNANSWERED|last error or alarm.
"""
import os
import queue
import sys
import threading
import types

import serial

sys.path.insert(0, sys.argv[1] + "/controllers")
import builtins  # noqa: E402

builtins._ = lambda text: text
# What of the package stands behind its windows: the places where its controllers
# leave what they have read.
cnc = types.ModuleType("CNC")


class CNC:
    vars = {"state": "", "mx": 0.0, "my": 0.0, "mz": 0.0, "wcox": 0.0, "wcoy": 0.0, "wcoz": 0.0, "wcoa": 0.0,
            "wcob": 0.0, "wcoc": 0.0}
    digits = 4
    updateG = staticmethod(lambda: None)


cnc.CNC, cnc.WCS = CNC, []
sys.modules["CNC"] = cnc
sys.modules["Utils"] = types.ModuleType("Utils")
import GRBL1  # noqa: E402


class Master:
    MSG_RECEIVE, MSG_ERROR, MSG_OK = "receive", "error", "ok"

    def __init__(self):
        self.log, self.controller = queue.Queue(), "GRBL1"
        self.sio_status = self.sio_wait = self.running = self.runningPrev = False
        self._alarm = self._posUpdate = self._stop = False
        self._gcount = 0
        self._msg = ""

    def controllerStateChange(self, state):
        pass

    def controllerSet(self, name):
        self.controller = name


wire = serial.Serial(sys.argv[2], 115200)
master = Master()
controller = GRBL1.Controller(master)
controller.displayState = lambda state: CNC.vars.__setitem__("state", state.strip())
unanswered, lines = [], []
trouble = ""


def listen():
    """The next line, read by the package; what it does not know is none of ours."""
    global trouble
    text = wire.readline().decode("latin-1").strip()
    if "['$' for help]" in text:  # its greeting
        pass
    elif not controller.parseLine(text, unanswered, lines):
        trouble = "not understood: " + text
    elif "error:" in text or "ALARM:" in text:
        trouble = text
    return text


def status():
    master.sio_status, CNC.vars["state"] = True, ""
    wire.write(b"?")
    while master.sio_status:
        listen()


print("ready bcnc's GRBL1 at pyserial", serial.__version__, flush=True)


def obey():
    """Hands on the orders, and ends with them, whatever is waited for."""
    for text in sys.stdin:
        orders.put(text)
    os._exit(0)


orders = queue.Queue()
threading.Thread(target=obey, daemon=True).start()
while True:
    order = orders.get()
    word, _, rest = order.rstrip("\n").partition(" ")
    trouble = ""
    if word == "send":
        wire.write(rest.encode() + b"\n")
        unanswered.append(len(rest) + 1)
        lines.append(rest)
        while unanswered:
            listen()
    elif word == "byte":
        wire.write(bytes.fromhex(rest))
    elif word == "reset":
        wire.write(b"\x18")
        while "['$' for help]" not in listen():
            pass
        del unanswered[:], lines[:]
    seen = trouble
    if "ALARM:" not in seen:  # after which it may answer nothing but a reset
        status()
    v = CNC.vars
    print("%s|%.3f|%.3f|%.3f|%d|%s" % (v["state"], v["mx"], v["my"], v["mz"], len(unanswered), seen or trouble),
          flush=True)
