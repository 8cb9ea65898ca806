// The review's pages: looks at pictures in turn, and sends what a person decides. Nothing is
// shown as kept before the server has said that it is.
"use strict";
(() => {
  const token = document.querySelector("meta[name=review-token]").content;
  const GLANCE = 1000; // milliseconds (project conventions, both)
  const SOON = 150; // what takes no longer needs no sign
  const narrow = matchMedia("(max-width: 800px)");
  const STACKED_FROM = 1.5; // times as wide one below the other (project convention)
  const SIDES = [640, 1024, 1600, 2400];

  async function post(path, what) {
    let answer;
    try {
      answer = await fetch(path, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Review-Token": token },
        body: JSON.stringify(what),
      });
    } catch {
      throw new Error("The review does not answer; it may have ended. Start it again.");
    }
    if (!answer.ok) throw new Error(await answer.text());
    return answer;
  }

  async function got(path) {
    const answer = await fetch(path);
    if (answer.ok) return answer;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    throw new Error(page.querySelector("main p")?.textContent ?? "It cannot be shown.");
  }

  // Pages with filters: the address keeps what is chosen.

  const filters = document.querySelector("form.filters");
  filters?.addEventListener("change", () => {
    const query = new URLSearchParams();
    for (const { name, value } of filters.elements) if (value) query.set(name, value);
    location.assign(`/?${query}`);
  });
  filters?.addEventListener("submit", (event) => event.preventDefault());

  for (const button of document.querySelectorAll("[data-post]")) {
    button.addEventListener("click", async () => {
      try {
        await post(button.dataset.post, JSON.parse(button.dataset.body));
        location.reload();
      } catch (error) {
        document.querySelector("[role=alert]").textContent = error.message;
      }
    });
  }

  const bar = document.querySelector(".deciding");
  if (!bar) return;

  // The look screen

  const main = document.getElementById("main");
  const dialog = document.querySelector("dialog.meant");
  const said = bar.querySelector(".said");
  const wrong = bar.querySelector(".alert");
  const note = bar.querySelector(".note");
  const whole = bar.querySelector(".whole");
  const letters = bar.querySelector(".letters input");
  const waiting = new Map();
  let now = null;
  let busy = false;
  let turn = 0;

  const article = () => main.querySelector("article.look");
  const stage = () => main.querySelector(".stage");
  const view = (name) => main.querySelector(`.view.${name}`);

  function say(words) { wrong.textContent = ""; said.textContent = words; }
  function complain(error) { said.textContent = ""; wrong.textContent = error.message; }

  // How much room there is decides how many pixels are asked for.
  function box() {
    const style = getComputedStyle(stage());
    return [
      stage().clientWidth - 2 * parseFloat(style.paddingLeft),
      stage().clientHeight - 2 * parseFloat(style.paddingTop),
    ];
  }

  function side(of) {
    const [wide, tall] = box();
    const ratio = of.width / of.height;
    const width = Math.min(wide, tall * ratio, of.width);
    const wanted = Math.max(width, width / ratio) * devicePixelRatio;
    return SIDES.find((each) => each >= wanted) ?? SIDES.at(-1);
  }

  function laid() {
    if (!now || now.hindered) return;
    const [wide, tall] = box();
    const ratio = now.width / now.height;
    const fit = (w, h) => Math.min(w, h * ratio, now.width);
    const gap = 14;
    const paired = stage().classList.contains("paired");
    const across = fit((wide - gap) / 2, tall);
    const down = fit(wide, (tall - gap) / 2);
    // Side by side, where a panorama would not be much larger one below the other.
    const stacked = paired && down > (narrow.matches ? 1 : STACKED_FROM) * across;
    stage().classList.toggle("tall", stacked);
    const width = stacked ? down : paired ? across : fit(wide, tall);
    for (const frame of stage().querySelectorAll(".frame")) {
      frame.style.width = `${width}px`;
      frame.style.height = `${width / ratio}px`;
    }
  }
  new ResizeObserver(laid).observe(main);

  function described(element) {
    const data = element.dataset;
    return {
      id: Number(data.picture), stamp: data.stamp, query: data.query, queue: data.queue,
      width: Number(data.width), height: Number(data.height),
      coming: data.coming.split(" ").filter(Boolean).map(Number),
      hindered: "hindered" in data, proposes: "proposes" in data,
      sharing: Number(data.sharing), series: data.series,
      folder: data.folder, folderCount: Number(data.folderCount),
    };
  }

  const pictureAt = (of, kind = "", more = "") =>
    `/picture/${of.id}${kind}?side=${side(of)}&v=${of.stamp}${more}`;

  async function loaded(address) {
    const image = new Image();
    image.alt = "";
    image.src = address;
    try {
      await image.decode();
    } catch {
      await got(address);
      throw new Error("The picture did not load completely; load the page again.");
    }
    return image;
  }

  // A picture with all that is said beside it, its pixels decoded.
  function ready(id) {
    if (!waiting.has(id)) {
      const query = now.query;
      waiting.set(id, (async () => {
        const text = await (await got(`/part?${query}&picture=${id}&side=${side(now)}`)).text();
        const holder = document.createElement("template");
        holder.innerHTML = text; // made and escaped by the server
        const element = holder.content.querySelector("article");
        const of = described(element);
        let image = null;
        let failed = "";
        if (!of.hindered) {
          try { image = await loaded(pictureAt(of)); } catch (error) { failed = error.message; }
        }
        return { element, of, image, failed };
      })());
      waiting.get(id).catch(() => waiting.delete(id));
    }
    return waiting.get(id);
  }

  async function fetchAhead() {
    const mine = turn;
    const ids = now.coming.slice(0, 2);
    for (const id of [...waiting.keys()]) if (!ids.includes(id)) waiting.delete(id);
    for (const id of ids) {
      try { await ready(id); } catch { /* said when its turn comes */ }
      if (mine !== turn) return;
    }
    // Who stays longer than a glance may want to see the correction.
    await new Promise((done) => setTimeout(done, GLANCE));
    if (mine === turn && now.proposes && !now.hindered) new Image().src = pictureAt(now, "/proposed");
  }

  function place(image, failed) {
    if (failed) {
      const sentence = document.createElement("p");
      sentence.className = "unseen";
      sentence.textContent = `It cannot be shown. ${failed} It can be skipped, but not decided.`;
      stage().replaceChildren(sentence);
      now.hindered = true;
    } else if (image) {
      image.alt = "";
      view("first").querySelector(".frame").prepend(image);
    }
    laid();
    if (paired) besides(true);
    for (const button of bar.querySelectorAll(".decide button")) button.disabled = now.hindered;
    whole.hidden = now.sharing < 2;
    whole.querySelector("input").checked = false;
    whole.querySelector("b").textContent = now.sharing;
  }

  function begin(of) {
    now = { ...of, hints: [], cross: null, shown: performance.now() };
    turn += 1;
  }

  async function show(id, { push = true } = {}) {
    const mine = ++turn;
    const { element, of, image, failed } = await ready(id);
    if (mine !== turn) return;
    waiting.delete(id);
    const focused = article().contains(document.activeElement);
    main.replaceChildren(element);
    begin(of);
    place(image, failed);
    const address = `/look?${of.query}&picture=${id}`;
    if (push) history.pushState({ id }, "", address);
    const name = article().querySelector("h1").textContent;
    document.title = `${name}: autocast review`;
    if (focused) main.focus({ preventScroll: true });
    article().querySelector(".panel").scrollTop = 0;
    if (narrow.matches) scrollTo(0, 0);
    document.body.dataset.shown = id;
    counted();
    fetchAhead();
  }

  let counting = null;
  async function counted() {
    counting?.abort();
    counting = new AbortController();
    try {
      const answer = await fetch(`/left?${now.query}`, { signal: counting.signal });
      if (!answer.ok) return;
      const { decided, left } = await answer.json();
      document.getElementById("decided").textContent = decided.toLocaleString("en-GB");
      document.getElementById("left").textContent = left.toLocaleString("en-GB");
      const progress = document.querySelector("progress");
      progress.max = Math.max(1, decided + left);
      progress.value = decided;
    } catch { /* asked anew with the next picture */ }
  }

  async function goOn(without = []) {
    const next = now.coming.find((id) => !without.includes(id));
    if (next === undefined) {
      location.assign(`/look?${now.query}&after=${now.id}`);
      return;
    }
    await show(next);
  }

  async function once(work) {
    if (busy) return;
    busy = true;
    try { await work(); } catch (error) { complain(error); } finally { busy = false; }
  }

  function decide(decision, { reason = "", over = whole.querySelector("input").checked ? "series" : "picture" } = {}) {
    return once(async () => {
      if (now.hindered) throw new Error("A picture that cannot be shown cannot be decided; skip it.");
      said.textContent = "";
      const text = note.querySelector("input").value;
      const answer = await post("/decide", {
        picture: now.id, decision, reason, over, note: text, hints: now.hints,
        queue: now.queue,
      });
      const { pictures, words } = await answer.json();
      const others = pictures.length > 1 ? `, for ${pictures.length} pictures` : "";
      noted(false);
      if (reason) remembered = { reason, over, series: now.series, folder: now.folder };
      for (const id of pictures) waiting.delete(id);
      const kept = `Saved: ${words}${others}.`;
      say(kept);
      await goOn(pictures);
      say(`${kept} Next: ${article().querySelector("h1").textContent}`);
    });
  }

  function takeBack() {
    return once(async () => {
      const { pictures } = await (await post("/undo", {})).json();
      if (!pictures.length) { say("You have no decision left to take back."); return; }
      const others = pictures.length > 1 ? `, for ${pictures.length} pictures` : "";
      for (const id of pictures) waiting.delete(id);
      await show(pictures[0]);
      say(`Taken back${others}. ${article().querySelector("h1").textContent}`);
    });
  }

  function noted(open) {
    note.hidden = !open;
    bar.querySelector("[data-act=note]").setAttribute("aria-expanded", open);
    if (open) note.querySelector("input").focus();
    else note.querySelector("input").value = "";
  }

  // Meant so: why, and for what

  let remembered = null;
  function askWhy() {
    if (now.hindered) return;
    const over = dialog.querySelectorAll("[name=over]");
    dialog.querySelector("[data-count=series]").textContent = now.sharing;
    dialog.querySelector("[data-count=folder]").textContent = now.folderCount;
    over[1].disabled = now.sharing < 2;
    over[1].parentElement.hidden = now.sharing < 2;
    const alike = remembered
      && ((now.series && now.series === remembered.series) || now.folder === remembered.folder);
    let preset = whole.querySelector("input").checked ? "series" : "picture";
    if (alike && !(remembered.over === "series" && now.sharing < 2)) preset = remembered.over;
    for (const each of over) each.checked = each.value === preset;
    const own = dialog.querySelector(".own input");
    own.value = "";
    dialog.showModal();
    const before = alike && [...dialog.querySelectorAll("[data-reason]")]
      .find((each) => each.dataset.reason === remembered.reason);
    if (alike && !before) own.value = remembered.reason;
    (before || dialog.querySelector("[data-reason]")).focus();
  }

  function because(reason) {
    if (!reason.trim()) { dialog.querySelector(".own input").focus(); return; }
    const over = dialog.querySelector("[name=over]:checked").value;
    dialog.close();
    decide("meant_so", { reason: reason.trim(), over });
  }

  dialog.addEventListener("click", (event) => {
    const { target } = event;
    if (target.matches("[data-reason]")) because(target.dataset.reason);
    else if (target.matches(".own button")) because(dialog.querySelector(".own input").value);
    else if (target.matches(".leave")) dialog.close();
  });
  dialog.querySelector(".own").addEventListener("submit", (event) => {
    event.preventDefault();
    because(dialog.querySelector(".own input").value);
  });
  dialog.addEventListener("keydown", (event) => {
    if (!letters.checked || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.matches("input[type=text]")) return;
    const key = event.key.toUpperCase();
    const reason = dialog.querySelector(`[data-reason][aria-keyshortcuts="${CSS.escape(key)}"]`);
    const over = { P: "picture", E: "series", F: "folder" }[key];
    if (reason) because(reason.dataset.reason);
    else if (key === "O") dialog.querySelector(".own input").focus();
    else if (over) {
      const choice = dialog.querySelector(`[name=over][value=${over}]`);
      if (!choice.disabled) { choice.checked = true; choice.focus(); }
    } else return;
    event.preventDefault();
    event.stopPropagation();
  });

  // A sign that something takes a while: on what was pressed, and in words.
  async function during(button, words, work) {
    const sign = setTimeout(() => { button.setAttribute("aria-busy", "true"); say(words); }, SOON);
    try { return await work(); } finally {
      clearTimeout(sign);
      button.removeAttribute("aria-busy");
      if (said.textContent === words) say("");
    }
  }
  const MAKING = "The correction is being worked out…";

  // The proposed correction: in place of the picture while held, or beside it

  const proposal = () =>
    loaded(pictureAt(now, "/proposed", now.hints.length
      ? `&hints=${encodeURIComponent(JSON.stringify(now.hints))}` : ""));

  let held = false;
  async function hold(on) {
    if (held === on || !now.proposes || now.hindered) return;
    held = on;
    const frame = view("first").querySelector(".frame");
    if (!on) {
      frame.querySelector("img.proposed")?.remove();
      stage().classList.remove("holding");
      view("first").querySelector("figcaption").textContent = "as it is";
      return;
    }
    const mine = turn;
    try {
      const image = await during(main.querySelector("[data-hold]"), MAKING, proposal);
      if (!held || mine !== turn) return;
      image.className = "proposed";
      frame.querySelector("img").after(image);
      stage().classList.add("holding");
      view("first").querySelector("figcaption").textContent = "proposed";
    } catch (error) { complain(error); }
  }

  let paired = false;
  async function besides(on) {
    if (!now.proposes || now.hindered) return;
    paired = on;
    const second = view("second");
    main.querySelector("[data-beside]").setAttribute("aria-pressed", on);
    if (on) {
      const mine = turn;
      try {
        const image = await during(main.querySelector("[data-beside]"), MAKING, proposal);
        if (mine !== turn) return;
        image.alt = "The picture with the proposed correction";
        second.querySelector(".frame").replaceChildren(image);
      } catch (error) { complain(error); return; }
      second.querySelector("figcaption").textContent = "proposed";
    }
    second.hidden = !on;
    stage().classList.toggle("paired", on);
    laid();
  }

  // Regions

  async function regions(on) {
    const button = main.querySelector("[data-regions]");
    if (!button) return;
    const list = main.querySelector(".regions");
    const frame = view("first").querySelector(".frame");
    for (const each of frame.querySelectorAll(".called, .map")) each.remove();
    button.setAttribute("aria-pressed", on);
    list.hidden = !on;
    stage().classList.toggle("mapped", on);
    if (!on) return;
    const mine = turn;
    try {
      const here = list.querySelector(".here");
      here.textContent = "being worked out…";
      const [image, named] = await during(button, "The regions are being worked out…", async () => [
        await loaded(pictureAt(now, "/regions")),
        await (await got(pictureAt(now, "/named"))).json(),
      ]);
      if (mine !== turn || button.getAttribute("aria-pressed") !== "true") return;
      image.className = "map";
      image.alt = "Regions, drawn over the picture";
      [...frame.querySelectorAll("img")].at(-1).after(image);
      for (const each of named) {
        const label = document.createElement("span");
        label.className = "called";
        label.ariaHidden = "true";
        label.textContent = each.words;
        label.style.left = each.x;
        label.style.top = each.y;
        frame.append(label);
        // Half of a name at the edge would say nothing.
        const half = label.offsetWidth / 2;
        const middle = Math.max(half, Math.min(label.offsetLeft, frame.clientWidth - half));
        label.style.left = `${middle}px`;
      }
      const words = new Set(named.map((each) => each.words));
      here.textContent = [...words].join(", ") || "nothing large enough to name";
    } catch (error) { complain(error); }
  }

  // Reading a place, and saying what it is

  function cross(x, y) {
    now.cross = [Math.min(Math.max(x, 0), 1), Math.min(Math.max(y, 0), 1)];
    const drawn = view("first").querySelector(".cross");
    drawn.classList.add("set");
    drawn.style.left = `${100 * now.cross[0]}%`;
    drawn.style.top = `${100 * now.cross[1]}%`;
  }

  async function readPlace() {
    const out = main.querySelector(".read");
    const mine = turn;
    out.setAttribute("aria-busy", "true");
    try {
      // A hair inside: the far edge is no pixel.
      const [x, y] = [now.cross[0] * (now.width - 0.01), now.cross[1] * (now.height - 0.01)];
      const answer = await post("/read", { picture: now.id, x, y });
      const text = await answer.text();
      if (mine === turn) out.innerHTML = text; // made and escaped by the server
    } catch (error) { complain(error); }
    out.removeAttribute("aria-busy");
  }

  async function judgeAgain(hints) {
    const out = main.querySelector(".again");
    const mine = turn;
    out.setAttribute("aria-busy", "true");
    try {
      const answer = await post("/again", { picture: now.id, hints });
      const text = await answer.text();
      if (mine !== turn) return;
      now.hints = hints;
      out.innerHTML = text; // made and escaped by the server
      proposes(out.querySelector("[data-unproposed]").dataset.unproposed);
    } catch (error) { complain(error); }
    out.removeAttribute("aria-busy");
  }

  function proposes(why) {
    const sentence = main.querySelector(".unproposed");
    now.proposes = !why;
    sentence.textContent = why;
    sentence.hidden = !why;
    main.querySelector(".propose").hidden = Boolean(why);
    const wanted = paired;
    if (why) view("second").hidden = true;
    stage().classList.toggle("paired", !why && wanted);
    laid();
    if (!why && wanted) besides(true);
  }

  main.addEventListener("click", (event) => {
    const { target } = event;
    const frame = target.closest(".view.first .frame");
    if (frame && !now.hindered) {
      const area = frame.getBoundingClientRect();
      cross((event.clientX - area.left) / area.width, (event.clientY - area.top) / area.height);
      readPlace();
      return;
    }
    const button = target.closest("button");
    if (!button) return;
    if ("beside" in button.dataset) besides(button.getAttribute("aria-pressed") !== "true");
    else if ("regions" in button.dataset) regions(button.getAttribute("aria-pressed") !== "true");
    else if ("at" in button.dataset) {
      const [x, y] = button.dataset.at.split(" ").map(Number);
      cross(x / 100, y / 100);
      readPlace();
    } else if ("hint" in button.dataset) {
      const spot = button.closest(".spot").dataset;
      const radius = Number(main.querySelector("[name=reach]:checked").value);
      judgeAgain([...now.hints,
        { what: button.dataset.hint, x: Number(spot.x), y: Number(spot.y), radius }]);
    } else if ("withdraw" in button.dataset) {
      judgeAgain(now.hints.filter((_, k) => k !== Number(button.dataset.withdraw)));
    }
  });
  main.addEventListener("pointerdown", (event) => {
    if (event.target.closest("[data-hold]")) hold(true);
  });
  main.addEventListener("keydown", (event) => {
    if (event.target.closest("[data-hold]") && [" ", "Enter"].includes(event.key)) {
      event.preventDefault();
      hold(true);
    }
    if (!event.target.matches(".view.first .frame")) return;
    const step = event.shiftKey ? 0.002 : 0.02;
    const move = {
      ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step],
    }[event.key];
    const [x, y] = now.cross ?? [0.5, 0.5];
    if (move) cross(x + move[0], y + move[1]);
    else if (event.key === "Enter") { cross(x, y); readPlace(); } else return;
    event.preventDefault();
  });
  for (const kind of ["pointerup", "pointercancel", "blur"]) addEventListener(kind, () => hold(false));
  addEventListener("keyup", (event) => {
    if (event.key.toUpperCase() === "P" || [" ", "Enter"].includes(event.key)) hold(false);
  });

  // Buttons of the bar, and their letters

  const acts = {
    fine: () => decide("fine"), cast: () => decide("cast"), cant_tell: () => decide("cant_tell"),
    meant: askWhy, undo: takeBack, note: () => noted(note.hidden),
    skip: () => once(async () => { noted(false); say(""); await goOn(); }),
  };
  bar.addEventListener("click", (event) => {
    const act = event.target.closest("[data-act]")?.dataset.act;
    if (act) acts[act]();
  });
  note.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" && event.key !== "Escape") return;
    event.preventDefault();
    if (event.key === "Escape") noted(false);
    bar.querySelector("[data-act=note]").focus();
  });

  const keys = {
    F: acts.fine, C: acts.cast, M: acts.meant, T: acts.cant_tell, S: acts.skip, U: acts.undo,
    N: acts.note, P: () => hold(true),
    B: () => besides(main.querySelector("[data-beside]")?.getAttribute("aria-pressed") !== "true"),
    R: () => regions(main.querySelector("[data-regions]")?.getAttribute("aria-pressed") !== "true"),
    W: () => { if (!whole.hidden) whole.querySelector("input").click(); },
  };
  addEventListener("keydown", (event) => {
    if (!letters.checked || dialog.open || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.repeat || event.target.matches("input[type=text], select, textarea")) return;
    const act = keys[event.key.toUpperCase()];
    if (!act) return;
    event.preventDefault();
    act();
  });

  // Whoever speaks to the machine or leans on keys can switch letters off (WCAG 2.2, 2.1.4).
  letters.checked = localStorage.getItem("letters") !== "off";
  letters.addEventListener("change", () => {
    localStorage.setItem("letters", letters.checked ? "on" : "off");
  });

  addEventListener("popstate", (event) => {
    const id = event.state?.id ?? Number(new URLSearchParams(location.search).get("picture"));
    show(id, { push: false }).catch(complain);
  });

  begin(described(article()));
  history.replaceState({ id: now.id }, "");
  (async () => {
    const mine = turn;
    let image = null;
    let failed = "";
    laid();
    if (!now.hindered) {
      try { image = await loaded(pictureAt(now)); } catch (error) { failed = error.message; }
    }
    if (mine !== turn) return;
    place(image, failed);
    document.body.dataset.shown = now.id;
    fetchAhead();
  })();
})();
