"""The frame of the page as a template."""

from __future__ import annotations

from typing import Final

from viewer.app.help_drawings import TERMS, help_html
from viewer.app.markup import term

__all__ = ["GONE", "STATE", "template"]

STATE: Final = {
    "title_text": "", "stand_text": "", "chips_html": "", "choices_html": "",
    "factor_html": "", "notice_html": "", "guide_html": "",
    "line_html": "", "stretch_html": "", "sheet_html": "", "charts_html": "", "chartpick_html": "", "table_html": "",
    "scale_html": "", "said": "", "place_text": "", "chosen_id": "", "at": 0, "last": 0, "work_text": "",
    "solid": False, "solid_there": False, "solid_text": "", "told": "",
}  # fmt: skip
"""What the page shows, by name, and how it starts."""

GONE: Final = """<main id="gone" class="wait" role="alert"><h1>No connection</h1>
<p>slabpose does not answer: it was ended, or the network was lost.</p>
<p>This page goes on by itself as soon as it answers again. If only the network was lost, what you chose is kept.
</p></main>"""
"""What stands in place of the page when the server no longer answers."""

# single quotes only inside expressions: they stand in attributes
_TEMPLATE = """
<a class="skip" href="#sheet">To the chosen slab</a>
<header class="top">
  <div class="name"><h1 :title="title_text">{{ title_text }}</h1><p class="sub">{{ stand_text }}</p></div>
  <form id="search" role="search" v-show="!guide_html"><label class="unseen" for="wanted">Slab or chainage</label>
    <input id="wanted" type="search" autocomplete="off" placeholder="slab or chainage"><button>Find</button></form>
  <nav class="steps" aria-label="Step through slabs" v-show="!guide_html">
    <button type="button" id="step-back" data-act="step" data-value="-1" aria-label="Slab before">&#8592;</button>
    <span>slab</span>
    <button type="button" id="step-on" data-act="step" data-value="1" aria-label="Next slab">&#8594;</button>
    <span class="apart"></span>
    <button type="button" id="work-back" data-act="work" data-value="-1"
      aria-label="Slab before that needs work">&#8592;</button>
    <span>needs work<br><b>{{ work_text }}</b></span>
    <button type="button" id="work-on" data-act="work" data-value="1"
      aria-label="Next slab that needs work">&#8594;</button>
  </nav>
  <div id="chips" v-html="chips_html"></div>
</header>
<p id="said" class="unseen" role="status" aria-live="polite">{{ said }}</p>
<p id="told" class="told" v-show="told" aria-hidden="true">{{ told }}</p>
<div id="notice" v-html="notice_html"></div>
<main id="guide" v-if="guide_html" v-html="guide_html"></main>
<main id="views" v-show="!guide_html">
  <section class="choices" aria-label="What is shown"><div id="choices" v-html="choices_html"></div></section>
  <section class="line" aria-labelledby="head-line">
    <h2 id="head-line" class="unseen">Section along chainage</h2><div id="scale" class="bar" v-html="scale_html"></div>
    <div id="strip" role="slider" tabindex="0" aria-label="Place on the whole line" aria-valuemin="1"
      :aria-valuemax="last" :aria-valuenow="at" :aria-valuetext="place_text" v-html="line_html"></div>
    <div id="stretch" role="application" tabindex="0" aria-label="Section slab by slab; arrow keys choose a slab"
      :aria-activedescendant="chosen_id" v-html="stretch_html"></div>
  </section>
  <section class="solid" aria-labelledby="head-solid">
    <div class="bar"><h2 id="head-solid">In 3D</h2>
      <p class="sub" v-if="solid">{{ solid_text }}</p>
      <div class="tools" v-if="solid" role="group" aria-label="Eye">
        <span id="factor" v-html="factor_html"></span>
        <button type="button" id="eye-near" data-act="zoom" data-value="1" aria-label="Nearer">+</button>
        <button type="button" id="eye-away" data-act="zoom" data-value="-1" aria-label="Further away">&#8722;</button>
        <button type="button" id="eye-home" data-act="home" data-value="0">reset</button></div></div>
    <div id="solid" v-if="solid" tabindex="0" role="application" aria-label="Slabs in three dimensions; arrow keys
      choose a slab, plus and minus come nearer or go away">
      <trame-template v-if="solid_there" template-name="solid"></trame-template></div>
    <p class="warn" v-if="!solid && solid_text">{{ solid_text }}</p>
  </section>
  <section class="along" aria-labelledby="head-charts">
    <div class="bar"><h2 id="head-charts">Charts</h2>
      <div id="chartpick" class="chips" role="group" aria-label="Which charts" v-html="chartpick_html"></div></div>
    <div id="charts" role="slider" tabindex="0" aria-label="Chosen slab in the charts" aria-valuemin="1"
      :aria-valuemax="last" :aria-valuenow="at" :aria-valuetext="place_text" v-html="charts_html"></div>
  </section>
  <section class="table" aria-labelledby="head-table"><h2 id="head-table">Slabs</h2>
    <div id="table" v-html="table_html"></div></section>
  <section class="sheet" id="sheet" tabindex="-1" aria-label="The chosen slab" v-html="sheet_html"></section>
  <section class="terms" aria-labelledby="head-terms"><h2 id="head-terms">What words mean</h2><div>__TERMS__</div>
    <p class="note">An aid to calculation: the contract, the local code and the licensed surveyor decide, and sign.
    Turn one screw at a time in small steps and keep load on all; nobody under or beside a lifted slab.</p></section>
</main>
__HELP__
"""


def template() -> str:
    """Return the frame, with the texts of the help."""
    terms = "".join(term(name, entry.word) for name, entry in TERMS.items())
    return _TEMPLATE.replace("__TERMS__", terms).replace("__HELP__", help_html())
