"""Terms that explain themselves in the app: pop-overs with the drawings that record and presentation have too."""

from __future__ import annotations

from viewer.help_drawings import TERMS, Term, term_svg, tip_svg

from .markup import text

__all__ = ["TERMS", "Term", "help_html"]


def help_html() -> str:
    """Return all terms as pop-overs, with the arrow tip that their drawings share."""
    return tip_svg() + "".join(
        f'<div popover id="help-{name}" class="help" role="dialog" aria-labelledby="help-{name}-word">'
        f'<h2 id="help-{name}-word">{text(entry.word)}</h2>'
        f"{term_svg(name)}"
        f"<p>{text(entry.meaning)}</p>"
        f'<button type="button" popovertarget="help-{name}" popovertargetaction="hide">Close</button></div>'
        for name, entry in TERMS.items()
    )
