// The view that the address names: nothing for the overview, `#fiber-7` for a fibre, `#fiber-7-1550-b-to-a`
// for one of its traces, `#fiber-7@2710.0` for a place on them in metres from end a.

function route() {
  // The samples stand behind this script, so that the first view need not wait for them; a fibre must.
  if (location.hash.startsWith("#fiber") && document.readyState === "loading") {
    addEventListener("DOMContentLoaded", route, { once: true });
    return;
  }
  const match = /^#fiber-(\d+)(?:-(\d+-[ab]-to-[ab]))?(?:@(-?[\d.]+))?$/.exec(location.hash);
  const overview = document.getElementById("overview"), fiber = document.getElementById("fiber");
  document.body.classList.toggle("in-fiber", Boolean(match));
  overview.hidden = Boolean(match);
  fiber.hidden = !match;
  if (!match) {
    const last = open_fiber?.fiber.fiber;
    close_fiber();
    if (last != null) document.querySelector(`tr[data-fiber="${last}"] a`)?.focus();
    return;
  }
  show_fiber(Number(match[1]), match[2], match[3] && Number(match[3]));
  scrollTo(0, 0);
  (document.getElementById(focus_next) ?? document.getElementById("fiber-title"))?.focus({ preventScroll: true });
  focus_next = "fiber-title";
}

document.getElementById("title").textContent = shown(review.plan.cable);
document.getElementById("subtitle").replaceChildren(...[
  `${plan.ends.map(shown).join(" to ")}`,
  plan.length_m == null ? null : metres(plan.length_m),
  plan.fiber_type,
  plan.job,
  plan.site,
].filter((t) => t).flatMap((t, i) => (i ? [" \u00b7 ", shown(t)] : [shown(t)])));
document.getElementById("origin").textContent =
  `${document.querySelector("meta[name=generator]").content}; plan ${review.plan.sha256.slice(0, 12)}; limits: ${shown(review.plan.limits_come_from)}; a verdict is given from a probability of ${plan.confidence * 100} % on.`;
build_overview();
performance.mark("matrix");
addEventListener("hashchange", route);
addEventListener("keydown", (event) => {
  if (event.key === "Escape" && open_fiber) location.hash = "";
});
// Paper is white, whatever the screen is.
const paper = (on) => () => {
  document.documentElement.classList.toggle("paper", on);
  open_fiber?.chart.plot.redraw();
};
addEventListener("beforeprint", paper(true));
addEventListener("afterprint", paper(false));
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => open_fiber?.chart.plot.redraw());
route();
