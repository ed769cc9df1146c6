"""Figures on the page: a drawing as an image inside it, the same bytes for the same drawing."""

from __future__ import annotations

import base64
import io
from html import escape

import matplotlib as mpl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.ticker import LogFormatter
from matplotlib.transforms import Bbox

from plantstats.reporting.display import Shown
from plantstats.reporting.glyphs import set_glyphs

POINTS = 72  # an inch: the unit of SVG


def figure(fig: Figure, alt: str, caption: str = "") -> Shown:
    """A drawing inside the page, sharp on screen and paper, the same bytes for the same drawing.

    Parameters
    ----------
    fig : Figure
        Closed afterwards, so that it is not shown twice.
    alt : str
        What it shows, in words, for those who cannot see it.
    caption : str, default ''
        Plain text below it.

    Returns
    -------
    Shown
        Its text is drawn letter for letter: "$" in a species' name starts no formula.

    Raises
    ------
    ValueError
        For an empty alt text.
    """
    if not alt.strip():
        raise ValueError("a figure needs an alt text: say in a sentence what it shows")
    # An <img> cannot run scripts or fetch anything, whatever names stand in the drawing.
    image = base64.b64encode(svg(fig)).decode("ascii")
    html = f'<figure><img alt="{escape(alt)}" src="data:image/svg+xml;base64,{image}">' + (
        f"<figcaption>{escape(caption)}</figcaption></figure>" if caption else "</figure>"
    )
    return Shown(html, f"[figure: {alt}]\n{caption}")


def svg(fig: Figure) -> bytes:
    """Draw a figure as SVG, without date and with fixed ids.

    Parameters
    ----------
    fig : Figure
        Closed afterwards.

    Returns
    -------
    bytes
        The SVG file.
    """
    from matplotlib import pyplot as plt  # noqa: PLC0415 (pyplot picks a window system when imported)

    letters = [text for text in fig.findobj(Text) if isinstance(text, Text)]
    for axes in fig.axes:
        for axis, labels in ((axes.xaxis, axes.get_xticklabels()), (axes.yaxis, axes.get_yticklabels())):
            if isinstance(axis.get_major_formatter(), LogFormatter):
                # Powers of ten on logarithmic axes are the one formula of ours.
                own = {id(label) for label in [*labels, *axis.get_minorticklabels()]}
                letters = [text for text in letters if id(text) not in own]
            else:
                letters += labels
    for text in letters:
        text.set_parse_math(False)
    axes_of = [axis for axes in fig.axes for axis in (axes.xaxis, axes.yaxis)]
    set_glyphs(letters, [axis.get_major_formatter() for axis in axes_of])
    buffer = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "plantstats", "svg.fonttype": "path"}):
        box = _lay_out(fig)
        fig.savefig(buffer, format="svg", dpi=POINTS, bbox_inches=box, metadata={"Date": None, "Creator": "plantstats"})
    plt.close(fig)
    return buffer.getvalue()


def _lay_out(fig: Figure) -> Bbox:
    """Lay a figure out and give the box around all of it, without the drawing that "tight" throws away."""
    fig.dpi = POINTS
    FigureCanvasSVG(fig)
    if (engine := fig.get_layout_engine()) is not None:
        engine.execute(fig)
        fig.set_layout_engine(None)
    return fig.get_tightbbox().padded(mpl.rcParams["savefig.pad_inches"])
