// The contact sheet, and the list of what to look at: which pictures, which page. What is shown
// of each is made beforehand; this only chooses and fetches the files that hold it.
"use strict";
(() => {
  const PER_PAGE = 60;
  const data = globalThis.autocastIndex;
  const form = document.querySelector("form.filters");
  const sheet = document.querySelector("[data-sheet]");
  if (!form || !sheet) return;
  const found = document.querySelector(".found");
  const pagers = [...document.querySelectorAll("nav.pager")];
  const names = [...form.querySelectorAll("select")].map((menu) => menu.name);
  const loaded = new Map();
  let asked = 0;
  let current = 1;

  // The pictures that this page is of, by their number in the report; its files hold them so.
  const { verdict } = sheet.dataset;
  const pictures = [...data.verdict.keys()].filter((i) => !verdict || data.verdict[i] === verdict);

  globalThis.autocastCards = (number, cards) => loaded.get(number).done(cards);

  function load(number) {
    if (!loaded.has(number)) {
      const entry = {};
      entry.ready = new Promise((done, fail) => {
        entry.done = done;
        const script = document.createElement("script");
        script.src = `data/${sheet.dataset.sheet}-${String(number).padStart(5, "0")}.js`;
        script.onerror = () => { loaded.delete(number); fail(new Error(script.src)); };
        document.head.append(script);
      });
      loaded.set(number, entry);
    }
    return loaded.get(number).ready;
  }

  // Each folder with those that hold it.
  const within = data.above.map((_, folder) => {
    const out = [];
    for (let at = folder; at >= 0; at = data.above[at]) out.push(at);
    return out;
  });

  // What a picture has of each filter.
  const has = {
    verdict: (i) => [data.verdict[i]],
    reason: (i) => data.reasons[i],
    hue: (i) => [data.hue[i]],
    decision: (i) => data.decided[i],
    remark: (i) => data.remarks[i],
    folder: (i) => within[data.folder[i]],
  };

  // Where the pictures stand that meet all filters; and for each filter, how many of those that meet the
  // others each of its choices would leave ("": all of them).
  function chosen(state) {
    const wanted = names.filter((name) => state[name] !== "").map((name) => [
      name, name === "verdict" ? state[name] : Number(state[name]),
    ]);
    const counts = Object.fromEntries(names.map((name) => [name, new Map()]));
    const out = [];
    for (const [at, i] of pictures.entries()) {
      const missed = wanted.filter(([name, value]) => !has[name](i).includes(value));
      if (missed.length > 1) continue;
      if (missed.length === 0) out.push(at);
      for (const name of missed.length === 0 ? names : [missed[0][0]]) {
        const count = counts[name];
        for (const value of ["", ...has[name](i)]) {
          const key = String(value);
          count.set(key, (count.get(key) ?? 0) + 1);
        }
      }
    }
    return [out, counts];
  }

  function stated() {
    const query = new URLSearchParams(location.hash.slice(1));
    const number = (name) => Number.parseInt(query.get(name) ?? "1", 10) || 1;
    const state = { page: Math.max(1, number("page")) };
    if (query.has("picture")) state.picture = number("picture");
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
    const [all, counts] = chosen(state);
    for (const name of names) {
      for (const option of form.elements[name].options) {
        option.textContent = `${option.dataset.words} (${counts[name].get(option.value) ?? 0})`;
      }
    }
    const pages = Math.max(1, Math.ceil(all.length / PER_PAGE));
    // Pictures are numbered from 1, as pages are.
    const place = all.indexOf(pictures.indexOf(state.picture - 1));
    const page = place < 0 ? Math.min(state.page, pages) : Math.floor(place / PER_PAGE) + 1;
    const here = all.slice((page - 1) * PER_PAGE, page * PER_PAGE);
    let cards;
    try {
      const files = [...new Set(here.map((at) => Math.floor(at / data.perFile)))];
      const held = new Map(await Promise.all(files.map(async (n) => [n, await load(n)])));
      cards = here.map((at) => held.get(Math.floor(at / data.perFile))[at % data.perFile]);
    } catch (error) {
      found.textContent = `A file of this report is missing: ${error.message}`;
      return;
    }
    if (turn !== asked) return;
    // Escaped when the report was written.
    sheet.innerHTML = cards.join("");
    current = page;
    const first = (page - 1) * PER_PAGE + 1;
    found.textContent = all.length === 0
      ? "No picture meets all these filters."
      : all.length === 1 ? "1 picture."
      : `${all.length} pictures, likeliest casts first`
        + (pages > 1 ? `; these are ${first} to ${first + here.length - 1}.` : ".");
    for (const pager of pagers) {
      pager.hidden = pages === 1;
      pager.querySelector("span").textContent = `page ${page} of ${pages}`;
      pager.querySelector("[name=back]").disabled = page === 1;
      pager.querySelector("[name=on]").disabled = page === pages;
    }
    if (place >= 0) open(sheet.children[place % PER_PAGE]);
  }

  function open(card) {
    const evidence = card.querySelector("details");
    if (evidence) {
      evidence.open = true;
      evidence.querySelector("summary").focus({ preventScroll: true });
    }
    card.scrollIntoView({ block: "start" });
  }

  form.addEventListener("change", () => {
    const state = { page: 1 };
    for (const name of names) state[name] = form.elements[name].value;
    go(state);
  });
  form.addEventListener("reset", (event) => {
    event.preventDefault();
    go({ page: 1, ...Object.fromEntries(names.map((name) => [name, ""])) });
  });
  for (const pager of pagers) {
    pager.addEventListener("click", (event) => {
      if (!(event.target instanceof HTMLButtonElement)) return;
      go({ ...stated(), page: current + (event.target.name === "on" ? 1 : -1) });
      found.focus({ preventScroll: true });
      found.scrollIntoView({ block: "start" });
    });
  }
  addEventListener("hashchange", show);
  form.hidden = false;
  show();
})();
