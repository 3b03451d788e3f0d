"""Programs under test that get signals, whatever the tests themselves were started with.

Started in the background of a script, or by nohup, they inherit signals that are ignored.
"""

# Put before a program's own code: `python -c`.
AS_STARTED_BY_HAND = """
import signal
signal.signal(signal.SIGINT, signal.default_int_handler)
for number in (signal.SIGTERM, signal.SIGHUP):
    signal.signal(number, signal.SIG_DFL)
"""
