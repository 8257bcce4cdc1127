"use strict";
/* Adds to the map of a page: what lies under the pointer, layers, and how the field stood before.
   The page is whole without it. It fetches nothing. */
(() => {
  const figure = document.querySelector("figure"), map = figure.querySelector("svg.map");
  const hold = figure.querySelector(".hold"), tools = figure.querySelector(".tools");
  const under = tools.querySelector(".under"), slider = tools.querySelector("input[type=range]");
  const shownAt = tools.querySelector("output"), passes = map.querySelector("[data-layer=passes]");
  const told = JSON.parse(figure.querySelector(".history").textContent);
  const [west, north, scale, left, top] = map.dataset.plane.split(" ").map(Number);
  const size = told.columns * told.rows, last = told.moments.length;
  const KINDS = ["once", "nearly", "target", "above"], SVG = "http://www.w3.org/2000/svg";
  if (!window.DecompressionStream) return;

  function start(cells) {
    const wanted = cells.subarray(told.planes * size);
    const paths = {}, before = passes.cloneNode(false), cross = document.createElementNS(SVG, "path");
    let now = last, asked = 0, at = null;
    before.dataset.layer = "before";
    for (const kind of KINDS) {
      const like = paths[kind] = document.createElementNS(SVG, "path");
      const id = map.querySelector(`pattern[id$=-${kind}]`).id;
      like.setAttribute("fill", `url(#${id})`);
      like.dataset.class = kind;
      before.append(like);
    }
    passes.after(before);
    cross.setAttribute("d", "M-14 0H-4M4 0H14M0-14V-4M0 4V14");
    cross.setAttribute("class", "cross");
    map.append(cross);

    function count(cell) {
      let n = 0;
      for (let p = 0; p < told.planes; p++) {
        const moment = cells[p * size + cell];
        if (moment && moment <= now) n++;
      }
      return n;
    }

    function kindOf(cell) {
      const n = count(cell), target = wanted[cell];
      if (!n || !target) return 0;
      return n > target ? 4 : n === target ? 3 : n > 1 ? 2 : 1;
    }

    function draw() {
      const lines = ["", "", "", "", ""], side = told.cell * scale;
      for (let row = 0; row < told.rows && now < last; row++) {
        const y = ((north - told.south - (row + 1) * told.cell) * scale + top).toFixed(1);
        let from = 0, kind = 0;
        for (let column = 0; column <= told.columns; column++) {
          const here = column < told.columns ? kindOf(row * told.columns + column) : 0;
          if (here === kind) continue;
          if (kind) {
            const x = ((told.west + from * told.cell - west) * scale + left).toFixed(1);
            const wide = ((column - from) * side).toFixed(1);
            lines[kind] += `M${x} ${y}h${wide}v${(side + 0.1).toFixed(1)}h-${wide}z`;
          }
          from = column; kind = here;
        }
      }
      KINDS.forEach((name, k) => paths[name].setAttribute("d", lines[k + 1]));
      passes.style.display = now < last ? "none" : "";
      shownAt.textContent = now === last ? "the end" : now ? told.moments[now - 1][1] : "the start";
      if (at) look(at.x, at.y);
    }

    function times(n) {
      return n === 1 ? "once" : n === 2 ? "twice" : `${n} times`;
    }

    function look(x, y) {
      at = { x, y };
      const column = Math.floor(((x - left) / scale + west - told.west) / told.cell);
      const row = Math.floor((north - (y - top) / scale - told.south) / told.cell);
      const cell = row * told.columns + column;
      const inside = column >= 0 && column < told.columns && row >= 0 && row < told.rows && wanted[cell];
      if (!inside) { under.textContent = "Outside the field."; return; }
      const who = [];
      for (let p = 0; p < told.planes; p++) {
        const moment = cells[p * size + cell];
        if (moment && moment <= now) who.push(`${told.who[told.moments[moment - 1][0]]} ${told.moments[moment - 1][1]}`);
      }
      const lost = map.querySelector("[data-class=unknown]"), place = map.createSVGPoint();
      place.x = x; place.y = y;
      const doubt = lost && lost.isPointInFill(place) ? " The position was unknown here." : "";
      const said = who.length ? `${told.done} ${times(who.length)}: ${who.join("; ")}.` : `never ${told.done}.`;
      under.textContent = said[0].toUpperCase() + said.slice(1) + doubt;
    }

    function point(event) {
      const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(map.getScreenCTM().inverse());
      cross.style.display = "none";
      look(place.x, place.y);
    }

    function step(event) {
      const far = event.shiftKey ? 50 : 10;
      const way = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far] }[event.key];
      if (!way) return;
      event.preventDefault();
      const box = map.viewBox.baseVal, from = at || { x: box.width / 2, y: box.height / 2 };
      const x = Math.min(Math.max(from.x + way[0], 0), box.width);
      const y = Math.min(Math.max(from.y + way[1], 0), box.height);
      cross.style.display = "inline";
      cross.setAttribute("transform", `translate(${x} ${y})`);
      look(x, y);
    }

    function slide(value) {
      now = value;
      if (!asked) asked = setTimeout(() => { asked = 0; draw(); });
    }

    map.addEventListener("pointermove", point);
    map.addEventListener("pointerdown", point);
    hold.addEventListener("keydown", step);
    slider.addEventListener("input", () => slide(Number(slider.value)));
    window.addEventListener("beforeprint", () => { slider.value = now = last; draw(); });
    for (const box of tools.querySelectorAll("[data-shows]")) {
      box.addEventListener("change", () => {
        for (const part of map.querySelectorAll(`[data-layer="${box.dataset.shows}"], [data-class="${box.dataset.shows}"]`)) {
          part.style.visibility = box.checked ? "" : "hidden";
        }
      });
    }
    hold.tabIndex = 0;
    hold.setAttribute("role", "group");
    hold.setAttribute("aria-label", "Map, to be read with the arrow keys");
    tools.hidden = false;
  }

  const squeezed = Uint8Array.from(atob(told.data), letter => letter.charCodeAt(0));
  const plain = new Blob([squeezed]).stream().pipeThrough(new DecompressionStream("deflate"));
  new Response(plain).arrayBuffer().then(buffer => start(new Uint16Array(buffer)));
})();
