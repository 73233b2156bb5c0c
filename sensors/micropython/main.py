"""Runs when the board starts: reads ``node_settings.json`` and works for ever."""

from air_node import settings
from air_node.build import built
from air_node.errors import NodeError


def main():
    """Build the node and run it; say what is wrong with the settings and end otherwise."""
    try:
        wanted = settings.load()
        node, board = built(wanted)
    except NodeError as error:
        print(error)
        return
    print(f"{wanted.text('topic')}: started by {board.started_by()}")
    board.start_watchdog()
    if wanted.yes("deep_sleep"):
        node.run_once()
    else:
        node.run()


main()
