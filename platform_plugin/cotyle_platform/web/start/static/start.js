// Once the case is written, the planning page takes this page's place: same address, same token.
(function () {
  let closed = false;
  setInterval(async () => {
    const state = window.trame && window.trame.state;
    if (!state || !state.get("start_ready")) return;
    try {
      await fetch("cotyle/icon.svg", { cache: "no-store" });
      if (closed) window.location.reload();
    } catch { closed = true; }
  }, 400);
})();
