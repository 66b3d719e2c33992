"""Pages of this machine alone, in the browser: the desk and the correction page.

In: requests from this machine (`local` lets in nobody else). Out: pages (`desk`, `touchup`), and
folders like those that the commands write.
"""

__all__ = ["desk", "local", "touchup"]
