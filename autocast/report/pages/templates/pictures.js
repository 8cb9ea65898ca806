// The contact sheet: which pictures, which page. The cards are made beforehand; this only
// chooses among them and fetches the files that hold them.
"use strict";
(() => {
  const PER_PAGE = 48;
  const data = globalThis.autocastIndex;
  const form = document.querySelector("form.filters");
  const sheet = document.getElementById("sheet");
  const found = document.querySelector(".found");
  const pagers = [...document.querySelectorAll("nav.pager")];
  const names = ["verdict", "hue", "remark", "folder"];
  const loaded = new Map();
  let asked = 0;

  globalThis.autocastCards = (number, cards) => loaded.get(number).done(cards);

  function load(number) {
    if (!loaded.has(number)) {
      const entry = {};
      entry.ready = new Promise((done, fail) => {
        entry.done = done;
        const script = document.createElement("script");
        script.src = `data/cards-${String(number).padStart(5, "0")}.js`;
        script.onerror = () => { loaded.delete(number); fail(new Error(script.src)); };
        document.head.append(script);
      });
      loaded.set(number, entry);
    }
    return loaded.get(number).ready;
  }

  function isBelow(folder, wanted) {
    for (let at = folder; at >= 0; at = data.above[at]) if (at === wanted) return true;
    return false;
  }

  function chosen(state) {
    const hue = state.hue === "" ? null : Number(state.hue);
    const remark = state.remark === "" ? null : Number(state.remark);
    const folder = state.folder === "" ? null : Number(state.folder);
    const out = [];
    for (let i = 0; i < data.verdict.length; i++) {
      if (state.verdict && data.verdict[i] !== state.verdict) continue;
      if (hue !== null && data.hue[i] !== hue) continue;
      if (remark !== null && !data.remarks[i].includes(remark)) continue;
      if (folder !== null && !isBelow(data.folder[i], folder)) continue;
      out.push(i);
    }
    return out;
  }

  function stated() {
    const query = new URLSearchParams(location.hash.slice(1));
    const state = { page: Math.max(1, Number.parseInt(query.get("page") ?? "1", 10) || 1) };
    for (const name of names) {
      const value = query.get(name) ?? "";
      const known = [...form.elements[name].options].some((o) => o.value === value);
      state[name] = known ? value : "";
    }
    return state;
  }

  function go(state) {
    const query = new URLSearchParams();
    for (const name of names) if (state[name] !== "") query.set(name, state[name]);
    if (state.page > 1) query.set("page", state.page);
    const hash = `#${query}`;
    if (hash === (location.hash || "#")) show(); else location.hash = hash;
  }

  async function show() {
    const turn = ++asked;
    const state = stated();
    for (const name of names) form.elements[name].value = state[name];
    const all = chosen(state);
    const pages = Math.max(1, Math.ceil(all.length / PER_PAGE));
    const page = Math.min(state.page, pages);
    const here = all.slice((page - 1) * PER_PAGE, page * PER_PAGE);
    let cards;
    try {
      const files = [...new Set(here.map((i) => Math.floor(i / data.perFile)))];
      const held = new Map(await Promise.all(files.map(async (n) => [n, await load(n)])));
      cards = here.map((i) => held.get(Math.floor(i / data.perFile))[i % data.perFile]);
    } catch (error) {
      found.textContent = `A file of this report is missing: ${error.message}`;
      return;
    }
    if (turn !== asked) return;
    // Escaped when the report was written.
    sheet.innerHTML = cards.join("");
    const first = (page - 1) * PER_PAGE + 1;
    found.textContent = all.length === 0
      ? "No picture meets all these filters."
      : all.length === 1 ? "1 picture."
      : `${all.length} pictures, strongest and likeliest first`
        + (pages > 1 ? `; these are ${first} to ${first + here.length - 1}.` : ".");
    for (const pager of pagers) {
      pager.hidden = pages === 1;
      pager.querySelector("span").textContent = `page ${page} of ${pages}`;
      pager.querySelector("[name=back]").disabled = page === 1;
      pager.querySelector("[name=on]").disabled = page === pages;
    }
  }

  form.addEventListener("change", () => {
    const state = { page: 1 };
    for (const name of names) state[name] = form.elements[name].value;
    go(state);
  });
  form.addEventListener("reset", (event) => {
    event.preventDefault();
    go({ page: 1, verdict: "", hue: "", remark: "", folder: "" });
  });
  for (const pager of pagers) {
    pager.addEventListener("click", (event) => {
      if (!(event.target instanceof HTMLButtonElement)) return;
      const state = stated();
      go({ ...state, page: state.page + (event.target.name === "on" ? 1 : -1) });
      found.focus({ preventScroll: true });
      found.scrollIntoView({ block: "start" });
    });
  }
  addEventListener("hashchange", show);
  form.hidden = false;
  show();
})();
