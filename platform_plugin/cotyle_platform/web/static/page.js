// What the page does by itself: sliders that stay under the finger, keys, one message in flight, a lost server.
(function () {
  const waiting = {}, flying = {}, held = {};

  function again() {  // draw what was held back while a finger was on it
    window.trame.state.set("cup_tick", (window.trame.state.get("cup_tick") || 0) + 1);
    window.trame.state.flush();
  }

  async function send(name) {
    if (flying[name]) return;
    flying[name] = true;
    try {
      while (name in waiting) {
        const value = waiting[name];
        delete waiting[name];
        await window.trame.trigger("cup_set", [name, value]);
      }
    } finally {
      flying[name] = false;
      if (held[name] && held[name].released) delete held[name];
      again();
    }
  }

  const cotyle = {
    shown(name, value, tick) { return name in held ? held[name].value : value; },
    slide(name, event) {
      const value = Number(event.target.value);
      if (!Number.isFinite(value)) return;
      held[name] = { value, released: false };
      waiting[name] = value;
      send(name);
    },
    release(name) {
      if (!held[name]) return;
      held[name].released = true;
      if (!flying[name]) { delete held[name]; again(); }
    },
    begin(name, event) { event.target.select(); },
    typing(name, event, step) {
      const turn = { ArrowUp: 1, ArrowDown: -1 }[event.key];
      if (turn) {
        event.preventDefault();
        const value = Number(((Number(event.target.value) || 0) + turn * step).toFixed(4));
        event.target.value = value;
        held[name + ":typed"] = { value };
        waiting[name] = value;
        send(name);
      }
      if (event.key === "Enter") event.target.blur();
      if (event.key === "Escape") { delete held[name + ":typed"]; event.target.value = window.trame.state.get("cup_values")[name]; event.target.blur(); }
      else if (event.key.length === 1 || event.key === "Backspace") held[name + ":typed"] = { value: event.target.value };
    },
    typed(name, event) {
      delete held[name + ":typed"];
      const value = Number(event.target.value);
      if (event.target.value === "" || !Number.isFinite(value)) { event.target.value = window.trame.state.get("cup_values")[name]; return; }
      waiting[name] = value;
      send(name);
    },
    end(name) { delete held[name + ":typed"]; again(); },
    key(event) {
      const ways = { ArrowLeft: [-1, 0, 0], ArrowRight: [1, 0, 0], ArrowUp: [0, 1, 0], ArrowDown: [0, -1, 0], PageUp: [0, 0, 1], PageDown: [0, 0, -1] };
      const way = ways[event.key];
      if (!way || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      const step = event.shiftKey ? 0.1 : 0.5;
      const sum = waiting.nudge || [0, 0, 0];
      waiting.nudge = way.map((each, axis) => sum[axis] + step * each);
      send("nudge");
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

  let missed = 0;
  setInterval(async () => {
    try { await fetch("cotyle/icon.svg", { cache: "no-store" }); missed = 0; } catch { missed += 1; }
    const lost = document.getElementById("ct-lost");
    const closed = window.trame && window.trame.client && !window.trame.client.isConnected();
    if (lost) lost.hidden = !(missed > 1 || closed);
  }, 1500);
})();
