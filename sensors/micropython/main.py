"""Runs when the board starts: reads ``node_settings.json`` and works for ever."""

from air_node import settings
from air_node.errors import NodeError
from air_node.ring import Ring


def ready():
    """Return settings, node and board; what is large comes first, while memory is in one piece."""
    wanted = settings.load()
    try:
        ring = Ring(wanted.whole("keep"))
        import air_node.node  # noqa: F401, PLC0415
        from air_node.build import built  # noqa: PLC0415

        node, board = built(wanted, ring)
    except MemoryError:
        keep = wanted.whole("keep")
        raise settings.SettingsError(
            [f"keep: is {keep}; so much leaves this board too little memory, give less"]
        ) from None
    return wanted, node, board


def main():
    """Run the node; say what is wrong with the settings and end otherwise."""
    try:
        wanted, node, board = ready()
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
