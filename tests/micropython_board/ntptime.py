"""A time server that answers, unless a file ``no_time`` lies in the working folder."""

import os
import time

host = ""


def settime():
    """Set the clock."""
    try:
        os.stat("no_time")
    except OSError:
        time.known = True
        return
    raise OSError(110)
