"""HTML pages: one environment, one base page, one stylesheet; pictures inside the page as data.

Every page is a template of the folder ``templates`` that extends ``base.html``. A page needs no other file: the
stylesheet and the pictures are part of it, and whatever comes from records is escaped.
"""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any

from towerlib.report import cautions

if TYPE_CHECKING:
    from jinja2 import Environment
    from matplotlib.figure import Figure

DOTS = 170  # an inch: sharp on paper, small in the file


@dataclass
class Answer:
    """Sentences of an answer, each in bold or not, and the basis of its figures."""

    said: list[tuple[bool, str]] = field(default_factory=list)
    basis: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        text = " ".join(text for _, text in self.said)
        return f"{text} Basis: {self.basis_text}" if self.basis else text

    @property
    def basis_text(self) -> str:
        """The basis as one sentence; blank where there is none."""
        return f"{'; '.join(self.basis)}." if self.basis else ""


@cache
def environment() -> Environment:
    """The templates; whatever is put into them is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("towerlib.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(name: str, **facts: Any) -> str:
    """A page as HTML."""
    return environment().get_template(name).render(safety_sentences=cautions, **facts)


def picture(figure: Figure | None, words: str) -> dict[str, Any]:
    """A picture as the page takes it: data URI of a PNG, words and size [mm]; or why there is none."""
    if figure is None:
        return {"why": words}
    content = io.BytesIO()
    figure.savefig(content, format="png", dpi=DOTS, metadata={"Software": None})
    wide, high = (float(side) for side in figure.get_size_inches() * 25.4)
    source = "data:image/png;base64," + base64.b64encode(content.getvalue()).decode()
    return {"src": source, "alt": words, "wide_mm": wide, "high_mm": high}
