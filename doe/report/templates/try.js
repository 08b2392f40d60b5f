"use strict";
// Try a setting: works every number out again from draws of the posterior, as doe.window.explore does.
(() => {
  const section = document.getElementById("try");
  const data = JSON.parse(document.getElementById("try-data").textContent);
  const { factors, responses, positions, confidence } = data;
  const n = data.nDraws;
  const tail = (1 - confidence) / 2;
  const LOG_LOG_2 = Math.log(Math.log(2));
  const LARGEST_Z = 300;
  const LARGEST_LOG_MEAN = 50;
  const MOST_COUNTED = 5000;
  const at = (id) => document.getElementById(id);
  const state = { at: data.start.slice(), position: 0 };

  // ---- the draws ----------------------------------------------------------------------------------------------
  function unpack() {
    const text = atob(data.draws);
    const bytes = Uint8Array.from(text, (letter) => letter.charCodeAt(0));
    const view = new DataView(bytes.buffer);
    let place = 0;
    for (const response of responses) {
      response.parameters = response.lows.map((low, p) => {
        const draws = new Float64Array(n);
        for (let d = 0; d < n; d += 1, place += 2) draws[d] = low + response.steps[p] * view.getUint16(place, true);
        return draws;
      });
    }
  }

  // ---- from a setting to the linear predictor -----------------------------------------------------------------
  const scale = (factor, values, natural) => values[factor.by < 0 ? 0 : natural[factor.by]];
  const coded = (natural) => factors.map((factor, j) => (factor.isKind ? natural[j]
    : (natural[j] - scale(factor, factor.centre, natural)) / scale(factor, factor.half, natural)));

  const POWER = { 1: (x) => x, 2: (x) => x * x - 0.5, 3: (x) => x * (x * x - 0.8) };
  const PART = {
    power: ([, j, m], natural, z) => POWER[m](z[j]),
    kind: ([, j, values], natural) => values[natural[j]],
    log: ([, j, centre], natural) => Math.log(natural[j] / centre),
    start: (part, natural, z, start) => start,
  };

  function predictor(response, setting, later) {
    const start = later ? response.later : response.first;
    const natural = setting.slice();
    if (response.shifted >= 0) natural[response.shifted] += start;
    const z = coded(natural);
    const eta = new Float64Array(n);
    response.columns.forEach((parts, c) => {
      const value = parts.reduce((product, part) => product * PART[part[0]](part, natural, z, start), 1);
      const draws = response.parameters[c];
      for (let d = 0; d < n; d += 1) eta[d] += value * draws[d];
    });
    return eta;
  }

  const further = (response, i) => response.parameters[response.columns.length + i];
  const each = (values, change) => Float64Array.from(values, change);
  const clip = (x, most) => Math.min(Math.max(x, -most), most);

  // ---- distributions ------------------------------------------------------------------------------------------
  // The normal distribution: Hart and others (1968), Computer Approximations, algorithm 5666, from memory.
  const ABOVE = [3.52624965998911e-2, 0.700383064443688, 6.37396220353165, 33.912866078383, 112.079291497871,
    221.213596169931, 220.206867912376];
  const BELOW = [8.83883476483184e-2, 1.75566716318264, 16.064177579207, 86.7807322029461, 296.564248779674,
    637.333633378831, 793.826512519948, 440.413735824752];
  const horner = (coefficients, x) => coefficients.reduce((sum, c) => sum * x + c, 0);

  function normal(x) {
    const a = Math.abs(x);
    if (a > 37) return x > 0 ? 1 : 0;
    const bell = Math.exp(-a * a / 2);
    const beyond = a < 7.07106781186547 ? bell * horner(ABOVE, a) / horner(BELOW, a)
      : bell / (a + 1 / (a + 2 / (a + 3 / (a + 4 / (a + 0.65))))) / 2.506628274631;
    return x > 0 ? 1 - beyond : beyond;
  }

  // P(N = 0) = (1 + phi mu)^-k, P(N = j) = P(N = j - 1) q (k + j - 1) / j (doe.models.negative_binomial)
  function noPores(response, eta, d) {
    const phi = Math.exp(further(response, 0)[d]);
    const odds = phi * Math.exp(clip(eta[d], LARGEST_LOG_MEAN));
    return { k: 1 / phi, q: odds / (1 + odds), chance: Math.exp(-Math.log1p(odds) / phi) };
  }

  function chanceAtMost(response, eta, limit) {
    return each(eta, (_, d) => {
      const { k, q, chance } = noPores(response, eta, d);
      let one = chance;
      let sum = chance;
      for (let j = 1; j <= limit; j += 1) { one *= q * (k + j - 1) / j; sum += one; }
      return sum;
    });
  }

  function countBand(response, eta) {
    const starts = Array.from(eta, (_, d) => noPores(response, eta, d));
    const one = each(starts, (start) => start.chance);
    const band = [];
    let reached = average(one);
    for (let j = 0; band.length < 2; j += 1) {
      if (j) {
        let sum = 0;
        for (let d = 0; d < n; d += 1) { one[d] *= starts[d].q * (starts[d].k + j - 1) / j; sum += one[d]; }
        reached += sum / n;
      }
      while (band.length < 2 && (reached >= [tail, 1 - tail][band.length] || j === MOST_COUNTED)) band.push(j);
    }
    return band;
  }

  // P(T > t): Weibull, a normal scatter of the load averaged over by three points (doe.models.weibull)
  function chanceToHold(response, eta) {
    return each(eta, (log_median, d) => {
      const shape = Math.exp(further(response, 0)[d]);
      const hazard = Math.exp(Math.min(shape * (response.logHold - log_median) + LOG_LOG_2, LARGEST_Z));
      const factor = Math.exp(Math.min(Math.sqrt(3) * shape * further(response, 1)[d], LARGEST_Z));
      return (4 * Math.exp(-hazard) + Math.exp(-hazard * factor) + Math.exp(-hazard / factor)) / 6;
    });
  }

  // The quantile of an equal mixture of normal distributions, by halving.
  function mixtureQuantile(mean, sd, share, score) {
    let low = Infinity;
    let high = -Infinity;
    for (let d = 0; d < n; d += 1) {
      low = Math.min(low, mean[d] + score * sd[d]);
      high = Math.max(high, mean[d] + score * sd[d]);
    }
    const close = 1e-7 * (high - low);
    while (high - low > close) {
      const middle = (low + high) / 2;
      let sum = 0;
      for (let d = 0; d < n; d += 1) sum += normal((middle - mean[d]) / sd[d]);
      if (sum / n < share) low = middle; else high = middle;
    }
    return (low + high) / 2;
  }

  // ---- summaries of draws -------------------------------------------------------------------------------------
  function average(values) {
    let sum = 0;
    for (let d = 0; d < n; d += 1) sum += values[d];
    return sum / n;
  }

  function quantile(sorted, share) {
    const place = share * (n - 1);
    const below = Math.floor(place);
    return sorted[below] + (place - below) * (sorted[Math.min(below + 1, n - 1)] - sorted[below]);
  }

  const boundOf = (values) => values.slice().sort()[data.rank];

  // ---- each form of response: its mean, its failure, the band of the next weld --------------------------------
  const scatterOf = (response) => each(further(response, 0), Math.exp);
  const FORM = {
    normal: {
      mean: (response, eta) => eta,
      fail: (response, eta) => {
        const sd = scatterOf(response);
        return each(eta, (mean, d) => (response.atLeast === null ? 0 : normal((response.atLeast - mean) / sd[d]))
          + (response.atMost === null ? 0 : normal((mean - response.atMost) / sd[d])));
      },
      band: (response, eta) => {
        const sd = scatterOf(response);
        return [mixtureQuantile(eta, sd, tail, -data.score), mixtureQuantile(eta, sd, 1 - tail, data.score)];
      },
    },
    count: {
      mean: (response, eta) => each(eta, (x) => Math.exp(clip(x, LARGEST_LOG_MEAN))),
      fail: (response, eta) => each(chanceAtMost(response, eta, response.atMost), (p) => Math.max(1 - p, 0)),
      band: countBand,
    },
    hold: {
      mean: chanceToHold,
      fail: (response, eta) => each(chanceToHold(response, eta), (p) => 1 - p),
    },
    pass: {
      mean: (response, eta) => each(eta, (x) => 1 / (1 + Math.exp(-x))),
      fail: (response, eta) => each(eta, (x) => 1 / (1 + Math.exp(x))),
    },
  };

  // p_d = max(0, 1 - sum of the failures), draw by draw, averaged over the wander of the dials; beside it each
  // response's own chance to pass.
  function judgeCase(setting, later) {
    const required = responses.filter((response) => response.isRequired);
    const passed = required.map(() => new Float64Array(n));
    const chance = new Float64Array(n);
    data.wander.weights.forEach((weight, node) => {
      const moved = setting.map((value, j) => value + data.wander.offsets[node][j]);
      const failed = required.map((r) => FORM[r.form].fail(r, predictor(r, moved, later)));
      for (let d = 0; d < n; d += 1) {
        let left = 1;
        for (let r = 0; r < failed.length; r += 1) {
          left -= failed[r][d];
          passed[r][d] += weight * (1 - failed[r][d]);
        }
        chance[d] += weight * Math.max(0, left);
      }
    });
    return { chance, passed: new Map(required.map((response, r) => [response.name, passed[r]])) };
  }

  // Of first and later welds the worse counts, draw by draw for the assurance, bound by bound for a response.
  function judge(setting, laters) {
    const cases = laters.map((later) => judgeCase(setting, later));
    const worst = each(cases[0].chance, (p, d) => Math.min(...cases.map((one) => one.chance[d])));
    const passes = {};
    cases[0].passed.forEach((_, name) => {
      const of = cases.map((one) => one.passed.get(name));
      passes[name] = { expected: Math.min(...of.map(average)), low: Math.min(...of.map(boundOf)) };
    });
    return { assurance: { expected: average(worst), low: boundOf(worst) }, passes };
  }

  function bandsOf(response, setting, laters) {
    const form = FORM[response.form];
    const cases = laters.map((later) => {
      const eta = predictor(response, setting, later);
      const mean = form.mean(response, eta);
      const sorted = mean.slice().sort();
      const confident = [quantile(sorted, tail), quantile(sorted, 1 - tail)];
      return { mean: average(mean), confident, weld: form.band ? form.band(response, eta) : confident };
    });
    return {
      mean: cases.reduce((sum, one) => sum + one.mean, 0) / cases.length,
      mean_low: Math.min(...cases.map((one) => one.confident[0])),
      mean_high: Math.max(...cases.map((one) => one.confident[1])),
      weld_low: Math.min(...cases.map((one) => one.weld[0])),
      weld_high: Math.max(...cases.map((one) => one.weld[1])),
    };
  }

  function expect(setting, position) {
    const { assurance, passes } = judge(setting, position.laters);
    const found = { assurance, responses: {} };
    responses.forEach((response) => {
      const bands = bandsOf(response, setting, position.laters);
      found.responses[response.name] = { ...bands, pass: passes[response.name] || null };
    });
    return found;
  }

  // ---- what was tested ----------------------------------------------------------------------------------------
  const kindsOf = (setting) => setting.filter((_, j) => factors[j].isKind);

  function forbidden(setting) {
    const broken = data.limits.filter((limit) => limit.coefficients.reduce((sum, [j, c]) => sum + c * setting[j], 0)
      > limit.bound);
    return broken.map((limit) => limit.words);
  }

  function untested(setting) {
    const reasons = [];
    factors.forEach((factor, j) => {
      const row = factor.by < 0 ? 0 : setting[factor.by];
      const label = labelOf(j, state.at[j]);
      const welded = factor.isKind ? factor.weldedKinds.includes(setting[j])
        : setting[j] >= factor.weldedLow[row] - factor.slack && setting[j] <= factor.weldedHigh[row] + factor.slack;
      if (!welded) reasons.push(`${factor.name} ${label} was not welded`);
    });
    if (reasons.length || data.hulls === null) return reasons;
    const hull = data.hulls[kindsOf(setting).join(",")];
    const z = coded(setting).filter((_, j) => !factors[j].isKind);
    const inside = hull && hull.normals.every((normals, i) => normals.reduce((sum, a, j) => sum + a * z[j], 0)
      <= hull.offsets[i] + data.hullSlack);
    return inside ? [] : ["it lies beyond the welds that were made, so what stands here rests on the models alone"];
  }

  const isInWindow = (setting, position) => position.box !== null && setting.every((value, j) => (
    value >= position.box.low[j] - 1e-9 && value <= position.box.high[j] + 1e-9));

  // ---- dials --------------------------------------------------------------------------------------------------
  const labelOf = (j, i) => factors[j].stops[i].label;
  const settingNow = () => factors.map((factor, j) => factor.stops[state.at[j]].value);

  // A dial whose range depends on a kind has the stops of the kind that is set.
  function stopsNow(j) {
    const { by, stopsByKind, stops } = factors[j];
    return by < 0 || !stopsByKind ? stops.map((_, i) => i) : stopsByKind[state.at[by]];
  }

  function turn(j, place) {
    const open = stopsNow(j);
    state.at[j] = open[clipPlace(place, open.length)];
    factors.forEach((factor, other) => {
      const kept = stopsNow(other);
      if (kept.includes(state.at[other])) return;
      const value = factor.stops[state.at[other]].value;
      const far = (i) => Math.abs(factor.stops[i].value - value);
      state.at[other] = kept.reduce((best, i) => (far(i) < far(best) ? i : best), kept[0]);
    });
    show();
  }
  const clipPlace = (place, length) => Math.min(Math.max(place, 0), length - 1);

  function bind() {
    factors.forEach((factor, j) => {
      if (factor.isKind) {
        section.querySelectorAll(`input[name="try-${j}"]`).forEach((choice) => {
          choice.addEventListener("change", () => turn(j, Number(choice.value)));
        });
        return;
      }
      const slider = at(`try-${j}`);
      slider.addEventListener("input", () => turn(j, Number(slider.value)));
      at(`try-${j}-down`).addEventListener("click", () => turn(j, stopsNow(j).indexOf(state.at[j]) - 1));
      at(`try-${j}-up`).addEventListener("click", () => turn(j, stopsNow(j).indexOf(state.at[j]) + 1));
    });
    section.querySelectorAll('input[name="try-position"]').forEach((choice) => {
      choice.addEventListener("change", () => { state.position = Number(choice.value); show(); });
    });
  }

  function showDials() {
    factors.forEach((factor, j) => {
      if (factor.isKind) {
        at(`try-${j}-${state.at[j]}`).checked = true;
        return;
      }
      const open = stopsNow(j);
      const place = open.indexOf(state.at[j]);
      const slider = at(`try-${j}`);
      slider.max = String(open.length - 1);
      slider.value = String(place);
      slider.setAttribute("aria-valuetext", labelOf(j, state.at[j]));
      at(`try-${j}-large`).textContent = factor.stops[state.at[j]].large;
      at(`try-${j}-small`).textContent = factor.stops[state.at[j]].small;
      at(`try-${j}-down`).disabled = place === 0;
      at(`try-${j}-up`).disabled = place === open.length - 1;
    });
  }

  // ---- words and bars -----------------------------------------------------------------------------------------
  function number(value) {
    if (Math.abs(value) < 5e-7) return "0";
    const places = Math.min(Math.max(2 - Math.floor(Math.log10(Math.abs(value))), 0), 9);
    const text = value.toFixed(places);
    return text.includes(".") ? text.replace(/\.?0+$/, "") : text;
  }

  // A chance below 1 is never printed as 1: rounded down.
  function ofHundred(share, about) {
    if (share > 0.99) return "over 99 of 100";
    const whole = Math.floor(share * 100 + 1e-9);
    return whole ? `${about}${whole} of 100` : "under 1 of 100";
  }
  const least = (share) => (share > 0.99 ? "99 of 100" : `${Math.floor(share * 100 + 1e-9)} of 100`);
  const percent = (share) => (share > 0.999 ? "over 99.9" : share < 0.001 ? "under 0.1"
    : `${Math.floor(1000 * share + 1e-9) / 10}`);
  const level = `${+(confidence * 100).toPrecision(10)}\u00a0%`;

  function sentence(found) {
    const where = factors.map((factor, j) => `${factor.name} ${labelOf(j, state.at[j])}`).join(", ");
    if (!data.every) return `At ${where}: what to expect of each response stands below. Nothing was asked of a weld.`;
    const { expected, low } = found.assurance;
    return `At ${where}, ${ofHundred(expected, "about ")} welds are expected to meet ${data.every}; we are ${level} sure `
      + `that in the long run it is at least ${least(low)}.`;
  }

  function lampWords(reasons, setting) {
    const position = positions[state.position];
    const claim = isInWindow(setting, position) ? data.claimed
      : position.box === null ? "Nothing is claimed." : "Nothing is claimed for this setting.";
    return `${reasons.length ? `Outside what was tested: ${reasons.join("; ")}` : "Within what was tested"}. ${claim}`;
  }

  function barWords(response, numbers) {
    const shown = (value) => number(value * response.perUnit);
    if (response.isChance) {
      return `${response.says} ${percent(numbers.mean)}\u00a0% (${level} confidence band: `
        + `${percent(numbers.mean_low)} to ${percent(numbers.mean_high)}\u00a0%).`;
    }
    const passes = numbers.pass ? ` ${response.requirement}: ${ofHundred(numbers.pass.expected, "about ")} welds.` : "";
    return `Average ${shown(numbers.mean)} ${response.unit} (${level} confidence band: ${shown(numbers.mean_low)} to `
      + `${shown(numbers.mean_high)}). Your next weld ${shown(numbers.weld_low)} to ${shown(numbers.weld_high)} `
      + `${response.unit} (${level} prediction band).${passes}`;
  }

  function drawBar(response, i, numbers) {
    const [low, high] = response.axis;
    const along = (value) => Math.min(Math.max((value - low) / (high - low), 0), 1) * 100;
    const span = (id, from, to) => {
      const node = at(id);
      node.style.left = `${along(from)}%`;
      node.style.width = `${Math.max(along(to) - along(from), 0.4)}%`;
    };
    at(`try-bar-${i}`).classList.toggle("blank", numbers === null);
    at(`try-words-${i}`).textContent = numbers === null ? "–" : barWords(response, numbers);
    if (numbers === null) return;
    span(`try-weld-${i}`, numbers.weld_low, numbers.weld_high);
    span(`try-mean-${i}`, numbers.mean_low, numbers.mean_high);
    span(`try-tick-${i}`, numbers.mean, numbers.mean);
  }

  function drawScales() {
    responses.forEach((response, i) => {
      const [low, high] = response.axis;
      const along = (value) => Math.min(Math.max((value - low) / (high - low), 0), 1) * 100;
      const shown = (value) => (response.isChance ? `${100 * value}\u00a0%` : number(value * response.perUnit));
      at(`try-low-${i}`).textContent = shown(low);
      at(`try-high-${i}`).textContent = shown(high);
      if (response.lineLow !== null) at(`try-under-${i}`).style.width = `${along(response.lineLow)}%`;
      if (response.lineHigh !== null) at(`try-over-${i}`).style.left = `${along(response.lineHigh)}%`;
    });
  }

  function show() {
    showDials();
    const setting = settingNow();
    const broken = forbidden(setting);
    const found = broken.length ? null : expect(setting, positions[state.position]);
    const reasons = broken.length ? [] : untested(setting);
    at("try-sentence").textContent = broken.length ? `Not to be welded: ${broken.join("; ")}.` : sentence(found);
    at("try-lamp").className = broken.length ? "lamp stop" : reasons.length ? "lamp outside" : "lamp within";
    at("try-lamp-words").textContent = broken.length ? "Outside the limits of the study: nothing is worked out here."
      : lampWords(reasons, setting);
    responses.forEach((response, i) => drawBar(response, i, found && found.responses[response.name]));
    section.dataset.numbers = JSON.stringify(found); // at full precision: the tests read it
  }

  unpack();
  bind();
  drawScales();
  section.hidden = false;
  show();
})();
