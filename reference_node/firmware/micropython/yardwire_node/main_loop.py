"""The main loop of a board: the node comes round every millisecond or so, whatever the network does."""

import asyncio
import gc

ROUND_MS = 1
BUSY_BYTES = 16384  # garbage after which it is collected, before a pause would grow long


async def _rounds(node, link) -> None:
    while True:
        link.tick()
        node.board.feed()  # Here alone: a loop that stands still has to be seen by the watchdog [SAF-03].
        await asyncio.sleep_ms(ROUND_MS)


async def _both(node, link) -> None:
    await asyncio.gather(_rounds(node, link), link.run())


def run(node, link) -> None:
    """Run a node over an `MqttLink` or a `SerialLink`, for ever.

    Whatever fails in it ends it with every output off; the watchdog, fed no more, then starts the board again. Ctrl-C
    ends it too, and then the node says that it leaves.
    """
    gc.threshold(BUSY_BYTES)
    is_stopped = False
    try:
        asyncio.run(_both(node, link))
    except KeyboardInterrupt:
        is_stopped = True
    finally:
        node.board.off()
    if is_stopped:
        asyncio.new_event_loop()  # What was under way is not gone on with.
        asyncio.run(link.leave())
