// What the page does by itself: sliders that stay under the finger, keys, one message in flight, a lost server.
(function () {
  const waiting = {}, flying = {}, held = {};
  let sent = 0;  // each change has a number; the page's state says which was the last one that it shows

  async function send(name) {
    if (flying[name]) return;
    flying[name] = true;
    try {
      while (name in waiting) {
        const [value, number] = waiting[name];
        delete waiting[name];
        await window.trame.trigger("cup_set", [name, value, number]);
      }
    } finally { flying[name] = false; }
  }

  function want(name, value) {
    sent += 1;
    waiting[name] = [value, sent];
    if (held[name]) held[name].number = sent;
    send(name);
  }

  const cotyle = {
    // what a control shows: its own value while a finger is on it and until the plan has followed, then the plan's
    shown(name, value, done) {
      const own = held[name];
      if (own && own.released && done >= own.number) delete held[name];
      return name in held ? held[name].value : value;
    },
    slide(name, event) {
      const value = Number(event.target.value);
      if (!Number.isFinite(value)) return;
      held[name] = { value, released: false };
      want(name, value);
    },
    release(name) { if (held[name]) held[name].released = true; },
    begin(name, event) { event.target.select(); },
    edit(name, event) { held[name + ":typed"] = { value: event.target.value }; },  // half-typed text stays as it is
    typing(name, event, step) {
      const turn = { ArrowUp: 1, ArrowDown: -1 }[event.key];
      if (turn) {
        event.preventDefault();
        const value = Number(((Number(event.target.value) || 0) + turn * step).toFixed(4));
        event.target.value = value;
        held[name + ":typed"] = { value };
        want(name, value);
      }
      if (event.key === "Enter") event.target.blur();
      if (event.key === "Escape") { delete held[name + ":typed"]; event.target.value = window.trame.state.get("cup_values")[name]; event.target.blur(); }
    },
    typed(name, event) {
      delete held[name + ":typed"];
      const value = Number(event.target.value);
      if (event.target.value === "" || !Number.isFinite(value)) { event.target.value = window.trame.state.get("cup_values")[name]; return; }
      want(name, value);
      held[name + ":typed"] = { value, released: true, number: sent };
    },
    end(name) { const own = held[name + ":typed"]; if (own && !own.released) delete held[name + ":typed"]; },
    key(event) {
      const ways = { ArrowLeft: [-1, 0, 0], ArrowRight: [1, 0, 0], ArrowUp: [0, 1, 0], ArrowDown: [0, -1, 0], PageUp: [0, 0, 1], PageDown: [0, 0, -1] };
      const way = ways[event.key];
      if (event.target.closest("input, select, button, summary")) return;  // these have arrow keys of their own
      if (!way || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      const step = event.shiftKey ? 0.1 : 0.5;
      const sum = waiting.nudge ? waiting.nudge[0] : [0, 0, 0];  // steps that wait add up
      want("nudge", way.map((each, axis) => sum[axis] + step * each));
    },
  };
  window.cotyle = cotyle;

  document.addEventListener("keydown", (event) => {
    if (!(event.ctrlKey || event.metaKey)) return;
    const key = event.key.toLowerCase();
    const typing = event.target.matches && event.target.matches("input[type=number], input[type=text], textarea");
    const act = key === "s" ? "save" : typing ? null : key === "z" ? (event.shiftKey ? "redo" : "undo") : key === "y" ? "redo" : null;
    if (!act) return;
    event.preventDefault();
    if (document.activeElement) document.activeElement.dispatchEvent(new Event("change"));
    window.trame.trigger("page_act", [act]);
  });

  document.addEventListener("keydown", (event) => {  // an open drawer closes, wherever the hand was
    if (event.key !== "Escape" || !window.trame || event.target.closest("input, select, textarea")) return;
    window.trame.state.set("screen_tab", "");
    const opener = document.querySelector(".ct-acts [aria-pressed=true]");
    if (opener && event.target.closest(".ct-two")) opener.focus();  // the hand goes back to where it came from
    for (const drawer of ["page_decide", "page_two_plans", "page_export"]) window.trame.state.set(drawer, false);
  });

  document.addEventListener("keydown", (event) => {  // O: the options, unless something is being typed
    if (event.key !== "o" && event.key !== "O" || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (event.target.closest("input:not([type=range]):not([type=checkbox]), select, textarea")) return;
    const button = document.querySelector("[data-name=decide]");
    if (button) { button.focus(); button.click(); }
  });

  // The page's own parts go with the connection, so what is said of its loss stands outside them.
  function say_lost(lost) {
    const there = document.getElementById("ct-lost");
    if (!lost) { if (there) there.remove(); return; }
    if (there) return;
    const box = document.createElement("div");
    box.id = "ct-lost";
    box.className = "ct-lost";
    box.setAttribute("role", "alertdialog");
    box.innerHTML = "<div><h2>The viewer does not answer</h2><p>It was stopped, or this machine was asleep. What was not saved is kept "
      + "as a draft in the case folder.</p><p>Start it again with <code>cotyle view</code> and open the link that it prints.</p></div>";
    document.body.appendChild(box);
  }

  function one_stop_for_keys() {  // they go to the bone as a whole, not to its views
    document.querySelectorAll(".remote-controlled-area").forEach((area) => { if (area.tabIndex !== -1) area.tabIndex = -1; });
  }
  new MutationObserver(one_stop_for_keys).observe(document.documentElement, { childList: true, subtree: true });

  new MutationObserver((changes) => {  // the landmark that is chosen is seen in its list
    const chosen = document.querySelector(".ct-marks-list button[aria-pressed=true]");
    const now = (each) => each.target === chosen || [...each.addedNodes].some((node) => node.contains(chosen));
    if (chosen && changes.some(now)) chosen.scrollIntoView({ block: "nearest" });
  }).observe(document.documentElement, { childList: true, subtree: true, attributes: true, attributeFilter: ["aria-pressed"] });

  let missed = 0;
  setInterval(async () => {
    one_stop_for_keys();
    try { await fetch("cotyle/icon.svg", { cache: "no-store" }); missed = 0; } catch { missed += 1; }
    say_lost(missed > 1);
  }, 1500);
})();
