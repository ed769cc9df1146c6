"""What a report's kernel runs: ipykernel, but nothing that a cell prints is dropped when it prints fast."""

from __future__ import annotations

from typing import Any

from ipykernel.kernelapp import IPKernelApp


class OwnKernel(IPKernelApp):
    """ipykernel's program without a limit on what waits to be sent."""

    def init_iopub(self, context: Any) -> None:
        """Set no limit on the sockets made from here on; with the usual 1,000 messages the end may be lost."""
        context.sndhwm = 0
        super().init_iopub(context)


if __name__ == "__main__":
    OwnKernel.launch_instance()
