"""The figure as pixels."""

from __future__ import annotations

from dictate.errors import UserFault

LARGEST_WIDTH = 8000


def as_png(svg: str, width: int) -> bytes:
    """Render a figure with a fixed theme as PNG, ``width`` pixels wide.

    Raises:
        UserFault: the renderer is not installed, or the width is none that can be drawn.
    """
    if not 1 <= width <= LARGEST_WIDTH:
        raise UserFault(f"A picture can be 1 to {LARGEST_WIDTH} pixels wide, not {width}.")
    try:
        import resvg_py
    except ImportError as error:
        raise UserFault(
            "Drawing PNG needs the extra 'picture': pip install 'dictate[picture]'; "
            "or write the picture as .svg."
        ) from error
    return bytes(resvg_py.svg_to_bytes(svg_string=svg, width=width))
