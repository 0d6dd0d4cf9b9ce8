// What the page hands to the server: choices by click, key, search and size. What is shown comes back as state.
const act = (what, value) => window.trame && window.trame.trigger("act", [what, value]);
const find = (id) => document.getElementById(id);

let focused = "";
document.addEventListener("focusin", (event) => {
  focused = event.target.id || "";
});

// a part that is replaced loses the focus: it goes to what has the same name now
new MutationObserver(() => {
  if (focused && (document.activeElement === document.body || !document.activeElement)) {
    const again = find(focused);
    if (again) again.focus({ preventScroll: true });
  }
  // the view as a whole is named; its pictures come and go
  for (const picture of document.querySelectorAll("#solid img:not([alt])")) picture.alt = "";
  measure();
}).observe(document.body, { childList: true, subtree: true });

document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-act]");
  if (button) {
    act(button.dataset.act, button.dataset.value);
    return;
  }
  const slab = event.target.closest("[data-slab]");
  if (slab) {
    act("slab", Number(slab.dataset.slab));
    return;
  }
  const drawing = event.target.closest("svg[data-window], svg[data-line]");
  if (drawing) place(drawing, event.clientX);
});

function place(drawing, x) {
  const box = drawing.getBoundingClientRect();
  const left = Number(drawing.dataset.left);
  const inner = drawing.clientWidth - left - Number(drawing.dataset.right);
  const share = Math.min(Math.max((x - box.left - left) / inner, 0), 1);
  if (drawing.dataset.line) {
    act("share", share);
  } else {
    const [low, high] = drawing.dataset.window.split(",").map(Number);
    act("distance", low + share * (high - low));
  }
}

document.addEventListener("change", (event) => {
  const pick = event.target.closest("select[data-act]");
  if (pick) act(pick.dataset.act, pick.value);
});

document.addEventListener("submit", (event) => {
  if (event.target.id === "search") {
    event.preventDefault();
    act("find", find("wanted").value);
  }
});

const STEPS = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageUp: -10, PageDown: 10 };
const ROWS = { ArrowUp: -1, ArrowDown: 1, PageUp: -10, PageDown: 10 };
document.addEventListener("keydown", (event) => {
  if (event.altKey || event.ctrlKey || event.metaKey) return;
  const view = event.target.closest("#strip, #stretch, #charts, #solid");
  const table = event.target.closest("#table tbody");
  const step = view ? STEPS[event.key] : table ? ROWS[event.key] : undefined;
  if (step) {
    event.preventDefault();
    act("step", step);
  } else if (view && (event.key === "Home" || event.key === "End")) {
    event.preventDefault();
    act("end", event.key === "Home" ? -1 : 1);
  } else if (view && view.id === "solid" && "+-=".includes(event.key)) {
    event.preventDefault();
    act("zoom", event.key === "-" ? -1 : 1);
  }
});

// the table scrolls to the choice, and the focus goes with it
let followed = null;
const follow = () => {
  const picked = document.querySelector("#table tr.picked");
  if (!picked || picked === followed) return;
  followed = picked;
  const frame = picked.closest(".scroll");
  const head = frame.querySelector("thead").offsetHeight;
  const top = picked.offsetTop;
  if (top - head < frame.scrollTop || top + picked.offsetHeight > frame.scrollTop + frame.clientHeight) {
    frame.scrollTop = top - frame.clientHeight / 2;
  }
  if (focused.startsWith("row-")) {
    const button = picked.querySelector("button");
    focused = button.id;
    button.focus({ preventScroll: true });
  }
};
new MutationObserver(follow).observe(document.body, { childList: true, subtree: true });

// a press that does not turn the 3D view picks
let pressed = null;
document.addEventListener("pointerdown", (event) => {
  pressed = event.target.closest("#solid") ? [event.clientX, event.clientY] : null;
}, true);
document.addEventListener("pointerup", (event) => {
  const view = find("solid");
  if (!pressed || !view) return;
  if (Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) < 4) {
    const box = view.getBoundingClientRect();
    act("pick", [(event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height]);
  }
  pressed = null;
}, true);

// what was told has been read after a while
let hiding = 0;
new MutationObserver(() => {
  const told = find("told");
  if (!told || told.dataset.text === told.textContent) return;
  told.dataset.text = told.textContent;
  clearTimeout(hiding);
  told.hidden = false;
  if (!told.textContent.endsWith("\u2026")) hiding = setTimeout(() => { told.hidden = true; }, 7000);
}).observe(document.body, { childList: true, subtree: true, characterData: true });

let sizes = "";
let waiting = 0;
function measure() {
  clearTimeout(waiting);
  waiting = setTimeout(() => {
    const [stretch, charts, solid] = ["stretch", "charts", "solid"].map(find);
    if (!stretch || !stretch.clientWidth || !window.trame) return;
    const now = { stretch: stretch.clientWidth, charts: charts.clientWidth };
    if (solid) now.solid = [solid.clientWidth, solid.clientHeight];
    if (JSON.stringify(now) !== sizes) {
      sizes = JSON.stringify(now);
      act("size", now);
    }
  }, 60);
}
addEventListener("resize", measure);

// the server no longer answers: ask it again and again, and go on where it was left
let asking = 0;
new MutationObserver(() => {
  const app = find("app");
  const failed = app && !app.children.length && app.textContent.trim();  // the client tells it in a bare line
  if (failed) app.innerHTML = '<main id="gone" class="wait" role="alert"><h1>No connection</h1>'
    + "<p>slabpose did not answer. This page asks again by itself.</p></main>";
  if (!asking && find("gone")) {
    asking = setInterval(async () => {
      try {
        await fetch(location.href, { method: "HEAD", redirect: "manual", cache: "no-store" });
        clearInterval(asking);
        location.reload();
      } catch { /* not yet */ }
    }, 2000);
  }
}).observe(document.body, { childList: true, subtree: true });

// calls that were under way when the connection ended: the page tells that in its own words
const LOST = -32099;
addEventListener("unhandledrejection", (event) => {
  if (event.reason && event.reason.code === LOST) event.preventDefault();
});
