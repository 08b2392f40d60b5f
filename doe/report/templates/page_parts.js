"use strict";
// What the pages to fill in share: elements made without markup, numbers as typed, tables as CSV, files handed over.
const parts = (() => {
  const SVG = "http://www.w3.org/2000/svg";

  // All text goes in by textContent or setAttribute; nothing is ever read as markup.
  function make(tag, props = {}, ...inside) {
    const node = tag === "svg" || tag === "rect" ? document.createElementNS(SVG, tag) : document.createElement(tag);
    for (const [name, value] of Object.entries(props)) {
      if (name === "text") node.textContent = value;
      else if (name === "act") node.addEventListener("click", value);
      else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value === true ? "" : value);
    }
    node.append(...inside.filter((part) => part !== null));
    return node;
  }

  function setText(node, words) { if (node && node.textContent !== words) node.textContent = words; }

  // A number as it is typed: 2.1, 2,1, 3/32 or 1 1/8; NaN where it is none.
  function asNumber(words) {
    const plain = words.trim().replace("−", "-");
    const part = /^(?:(\d+)\s+)?(\d+)\s*\/\s*(\d+)$/.exec(plain);
    if (part) return Number(part[1] || 0) + Number(part[2]) / Number(part[3]);
    return /^[+-]?(\d+[.,]?\d*|[.,]\d+)$/.test(plain) ? Number(plain.replace(",", ".")) : NaN;
  }

  // A spreadsheet would run a text that begins so as a formula.
  const runs = (words) => /^[=+\-@\t\r]/.test(words) && !/^[-+]?\d+(\.\d*)?([eE][-+]?\d+)?$/.test(words);
  const safe = (words) => (runs(words) ? `'${words}` : words);
  const quote = (words) => (/[",;\t\r\n]|^\s|\s$/.test(words) ? `"${words.replace(/"/g, '""')}"` : words);
  const csv = (comments, rows) => [...comments, ...rows.map((row) => row.map(quote).join(",")), ""].join("\n");

  // Hand a table to the browser's downloads.
  function download(name, text) {
    const link = make("a", { href: URL.createObjectURL(new Blob([text], { type: "text/csv" })), download: name });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000); // some browsers fetch it late
    return `${name} is handed to the browser’s downloads.`;
  }

  const toShare = (name, text) => ({ files: [new File([text], name, { type: "text/csv" })], title: name });
  const mayShare = (name, text) => Boolean(navigator.canShare && navigator.canShare(toShare(name, text)));
  const share = (name, text) => navigator.share(toShare(name, text)).then(() => `${name} was shared.`,
    (error) => `It was not shared (${error.name}). Download it instead.`);

  // What a page keeps on the device. A page that is loaded again may be shown what was stored before the last changes (seen
  // in Chromium 156): its own entry in the history keeps them too, and the newer of the two counts.
  function keeper(key) {
    let saves = 0;
    function read() { // throws where what is stored cannot be read
      const stored = JSON.parse(localStorage.getItem(key) || "{}");
      const beside = JSON.parse((history.state || {})[key] || "{}");
      const newest = (beside.saves || 0) > (stored.saves || 0) ? beside : stored;
      saves = newest.saves || 0;
      return newest;
    }
    function write(state) { // tells whether it is kept; throws where nothing may be
      const now = JSON.stringify({ ...state, saves: (saves += 1) });
      localStorage.setItem(key, now);
      try { history.replaceState({ ...history.state, [key]: now }, ""); } catch (error) { /* too often or too much for some browsers: it is stored all the same */ }
      return localStorage.getItem(key) === now;
    }
    return { read, write };
  }

  // Light or dark: as the device has it, or as the reader chose; kept for every page of this kind.
  const LOOK = "weldwindow look";
  const LOOKS = [["", "as the device"], ["light", "light"], ["dark", "dark"]];
  function keptLook() {
    try { return localStorage.getItem(LOOK) || ""; } catch (error) { return ""; } // where nothing may be kept: as the device
  }

  function putLook(look) {
    if (look) document.documentElement.dataset.look = look;
    else delete document.documentElement.dataset.look;
  }
  putLook(keptLook());

  function lookKeys() {
    const keys = LOOKS.map(([look, label]) => make("button", { type: "button", id: `look-${look || "device"}`, text: label,
      "aria-pressed": String((document.documentElement.dataset.look || "") === look), act: (event) => {
        putLook(look);
        try { localStorage.setItem(LOOK, look); } catch (error) { /* the choice then lasts as long as the page is open */ }
        for (const key of event.target.parentNode.children) key.setAttribute("aria-pressed", String(key === event.target));
      } }));
    return make("div", { class: "field" }, make("p", { class: "label", id: "look-label", text: "light or dark" }),
      make("div", { class: "keys", role: "group", "aria-labelledby": "look-label" }, ...keys));
  }

  return { make, setText, keeper, lookKeys, asNumber, safe, csv, download, mayShare, share };
})();
