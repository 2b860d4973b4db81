// What the pages need beyond htmx: keys made on the tablet, touches that survive bad Wi-Fi,
// and where the eye and the keyboard go after a touch.
"use strict";

(() => {
  document.documentElement.classList.add("js");
  // crypto.randomUUID is missing on plain http; getRandomValues is there always.
  const newKey = () => {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return "t-" + Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  };
  const net = () => document.getElementById("net");
  const say = (text) => {
    const place = net();
    place.replaceChildren();
    if (text) {
      const line = document.createElement("p");
      line.textContent = text;
      place.append(line);
    }
  };

  // A key belongs to one filled-in form: made when the form is first sent, kept for repeats.
  // Another answer, or a number corrected since, is another touch, with a key of its own.
  const fillKey = (form, button) => {
    const field = form.querySelector('input[name="key"]');
    if (!field) return;
    const given = [...new FormData(form)].filter(([name]) => name !== "key" && name !== "revision");
    if (button?.name) given.push([button.name, button.value]);
    // A file is told from another by what it is called, how long it is and when it was made.
    const answer = JSON.stringify(given.map(([name, value]) => (
      value instanceof File ? [name, value.name, value.size, value.lastModified] : [name, value])));
    if (!field.value || (form.dataset.answer ?? answer) !== answer) field.value = newKey();
    form.dataset.answer = answer;
  };
  const fillCopies = (form) => {
    for (const field of form.querySelectorAll("[data-copy]")) {
      const from = document.querySelector(field.dataset.copy);
      if (from) field.value = from.value;
    }
  };
  document.addEventListener("submit", (event) => {
    fillCopies(event.target);
    if (event.target.matches("[data-key]")) fillKey(event.target, event.submitter);
  }, true);
  document.addEventListener("htmx:configRequest", (event) => {
    const form = event.target.closest("form");
    if (!form) return;
    fillCopies(form);
    if (form.matches("[data-key]")) fillKey(form, event.detail.triggeringEvent?.submitter);
    for (const name of ["key", "pit"]) {
      const field = form.querySelector(`input[name="${name}"]`);
      if (field) event.detail.parameters.set(name, field.value);
    }
  });

  // Touches that did not get through wait here, in order, and are sent again until they do.
  // The same touch twice is one: states are set, not toggled, and readings carry a key.
  const waiting = [];
  let timer = null;
  const hasPhoto = () => waiting.some((w) => w.values.some(([, value]) => value instanceof File));
  const report = (sending = false) => {
    if (hasPhoto()) {
      // A photo can't be taken twice the same: it stays in this page until it is in the book.
      say(sending
        ? "Sending the photo again. Keep this page open."
        : "The photo is not in yet: no connection. It is kept on this page and sent again by itself; keep the page open.");
      if (!sending) {
        const again = document.createElement("button");
        again.className = "side-button";
        again.id = "send-again";
        again.textContent = "Send it again now";
        again.addEventListener("click", () => { clearTimeout(timer); retry(); });
        net().append(again);
      }
      return;
    }
    say(waiting.length === 0 ? "" : waiting.length === 1
      ? "Not saved yet: no connection. Keep this page open; trying again."
      : `${waiting.length} touches not saved yet: no connection. Keep this page open; trying again.`);
  };
  // Touches made one after the other without a connection were made on the same page: each saved
  // one moves the revision on for the next. Somebody else's touch in between still stops them.
  const carry = (values, revision) => {
    const old = values.find(([name]) => name === "revision")?.[1];
    if (!revision || old === undefined) return;
    for (const later of waiting) {
      for (const pair of later.values) {
        if (pair[0] === "revision" && pair[1] === old) pair[1] = revision;
      }
    }
  };
  // A text mended twice without a connection was written over one's own, not another's.
  const carryTexts = (done) => {
    const was = new Map(done.values);
    for (const later of waiting) {
      if (later.path !== done.path) continue;
      for (const pair of later.values) {
        const name = pair[0].startsWith("shown_") ? pair[0].slice(6) : null;
        if (name && was.has(name) && pair[1] === was.get(pair[0])) pair[1] = was.get(name);
      }
    }
  };
  const retry = async () => {
    timer = null;
    let refused = false;
    while (waiting.length) {
      const next = waiting[0];
      let answer;
      try {
        const photo = next.values.some(([, value]) => value instanceof File);
        const body = photo ? new FormData() : new URLSearchParams(next.values);
        if (photo) {
          for (const [name, value] of next.values) body.append(name, value);
          report(true);
        }
        answer = await fetch(next.path, {
          method: "POST", body,
          headers: { "HX-Request": "true" }, signal: AbortSignal.timeout(photo ? 300000 : 15000),
        });
      } catch {
        timer = setTimeout(retry, 3000);
        report();
        return;
      }
      if (answer.status === 401) {
        // Signed out meanwhile: what was touched stays here until somebody signs in again.
        say(`Signed out: ${waiting.length} not saved yet. Sign in in another tab; this page goes on by itself.`);
        timer = setTimeout(retry, 5000);
        return;
      }
      waiting.shift();
      const to = answer.headers.get("HX-Redirect");
      if (to) { waiting.length = 0; location.assign(to); return; }
      if (answer.ok) {
        carry(next.values, answer.headers.get("Pitwise-Revision"));
        carryTexts(next);
      } else {
        // Refused, not lost on the way: say why, and leave it to be read.
        const answered = new DOMParser().parseFromString(await answer.text(), "text/html");
        const why = answered.querySelector(".problem")?.textContent ?? "It was refused.";
        const line = document.createElement("p");
        line.className = "problem";
        line.textContent = why;
        document.getElementById("message").append(line);
        refused = true;
      }
      report();
    }
    if (refused) {
      say("Not all was taken: see why, then load this page again.");
      return;
    }
    // All is saved: show the page as the server has it.
    location.reload();
  };
  // While a photo is on its way the form says how far it has got, and then that it is measured.
  const sendingOf = (form) => form?.querySelector?.("[data-sending]");
  const endSending = (form) => {
    const line = sendingOf(form);
    if (!line) return;
    line.hidden = true;
    const field = form.querySelector("input[type=file]");
    if (field) field.value = "";
  };
  document.addEventListener("change", (event) => {
    const form = event.target.closest("form[data-photo], form[data-plain-photo]");
    if (!form) return;
    const file = form.querySelector("input[type=file]");
    if (!file?.files.length) return;
    // Chosen before the rim was typed: it goes as soon as the rim is there.
    if (event.target === file || form.matches("[data-plain-photo]")) {
      if (form.checkValidity()) form.requestSubmit();
      else if (event.target === file) form.reportValidity();
    }
  });
  // Without a connection the browser would leave the page, and the photo with it.
  const sendPlain = async (event) => {
    const form = event.target;
    event.preventDefault();
    let answer;
    try {
      answer = await fetch(form.action, { method: "POST", body: new FormData(form), signal: AbortSignal.timeout(300000) });
    } catch {
      const line = sendingOf(form);
      if (line) line.textContent = "The photo is not in: no connection. It is kept on this page; trying again.";
      setTimeout(() => { if (form.isConnected) form.requestSubmit(); }, 4000);
      return;
    }
    if (answer.redirected && new URL(answer.url).pathname === "/sign-in") {
      const line = sendingOf(form);
      if (line) line.textContent = "Signed out. Sign in in another tab; the photo is kept here and sent then.";
      setTimeout(() => { if (form.isConnected) form.requestSubmit(); }, 5000);
      return;
    }
    if (answer.redirected) { location.assign(answer.url); return; }
    const shown = new DOMParser().parseFromString(await answer.text(), "text/html");
    document.querySelector("main").replaceWith(document.adoptNode(shown.querySelector("main")));
    window.htmx?.process(document.querySelector("main"));
    scrollTo(0, 0);
  };
  const startSending = (form) => {
    const line = sendingOf(form);
    if (line) { line.hidden = false; line.textContent = "Sending the photo …"; }
  };
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("form[data-plain-photo]")) return;
    startSending(event.target);
    if (!event.submitter && !event.defaultPrevented) sendPlain(event);
  });
  document.addEventListener("htmx:beforeRequest", (event) => {
    if (event.detail.elt.matches("form[data-photo]")) startSending(event.detail.elt);
  });
  document.addEventListener("htmx:xhr:progress", (event) => {
    const form = event.target.closest?.("form[data-photo]");
    const line = sendingOf(form);
    if (!line || line.hidden || !event.detail.lengthComputable) return;
    const share = event.detail.loaded / event.detail.total;
    // The answer's own progress is told by the same event; by then all has been sent.
    line.textContent = share < 1 && line.dataset.sent !== "yes"
      ? `Sending the photo: ${Math.floor(100 * share)} %` : "The photo is in. Measuring …";
    if (share >= 1) line.dataset.sent = "yes";
  });
  document.addEventListener("htmx:responseError", (event) => endSending(event.detail.elt));
  // A photo taken with another tablet shows up here by itself.
  setInterval(() => {
    const place = document.querySelector("[data-photos]");
    if (!place || document.hidden || waiting.length || place.querySelector(".htmx-request, [data-sending]:not([hidden])")) return;
    if (place.contains(document.activeElement) && document.activeElement.matches("input, summary")) return;
    htmx.trigger(place, "photos");
  }, 5000);
  const keep = (event) => {
    const { path, requestConfig } = event.detail;
    if (event.detail.elt?.matches?.("[data-photos]")) return;
    endSending(event.detail.elt);
    if (requestConfig && requestConfig.verb === "get") {
      // A question, not a touch: nothing is lost by it, and asking again later is the person's.
      say("No answer: no connection, or it took too long. What is shown is from before; ask again.");
      return;
    }
    const values = [];
    const given = requestConfig ? requestConfig.parameters : {};
    if (given instanceof FormData || typeof given.entries === "function") {
      for (const pair of given.entries()) values.push(pair);
    } else {
      for (const [name, value] of Object.entries(given)) {
        for (const one of Array.isArray(value) ? value : [value]) values.push([name, one]);
      }
    }
    waiting.push({ path: (requestConfig && requestConfig.path) || path, values });
    report();
    if (timer === null) timer = setTimeout(retry, 2000);
  };
  document.addEventListener("htmx:sendError", keep);
  // Signed out while a photo went: it waits on this page until somebody signs in again.
  document.addEventListener("htmx:beforeOnLoad", (event) => {
    if (event.detail.xhr.status !== 401 || !event.detail.elt.matches("form[data-photo]")) return;
    event.preventDefault();
    keep(event);
    say("Signed out: the photo is kept on this page. Sign in in another tab; it is sent then.");
  });
  document.addEventListener("htmx:timeout", keep);
  addEventListener("online", () => { if (waiting.length) { clearTimeout(timer); retry(); } });
  addEventListener("beforeunload", (event) => { if (waiting.length) event.preventDefault(); });

  // After a touch: messages go when the next thing succeeds; a new step starts at its top.
  let step = null;
  let quiet = false;
  let home = null;
  let opened = [];
  const currentStep = () => document.querySelector("[data-step]")?.dataset.step ?? null;
  document.addEventListener("DOMContentLoaded", () => {
    step = currentStep();
    document.querySelector("#pit-field, [data-focus]")?.focus();
  });
  document.addEventListener("htmx:beforeRequest", (event) => {
    // Nobody touched anything: the page only asks whether there is a new photo.
    quiet = event.detail.elt.matches("[data-photos]");
    if (quiet) return;
    document.getElementById("message").replaceChildren();
    if (event.detail.requestConfig.verb === "get" && !waiting.length) say("");
    // A touch in a list further down leaves the eye where it is.
    home = event.detail.elt.closest("[data-home]")?.dataset.home ?? null;
  });
  // What was typed or ticked and not sent yet is carried over a touch of something else.
  const FIELDS = "input:not([type=hidden]), textarea, select";
  // What a form is about; the same form of the next page is found by it.
  const formName = (form) => JSON.stringify([
    form.getAttribute("action"), form.dataset.home ?? "",
    ...Array.from(form.querySelectorAll("input[type=hidden]"))
      .filter((e) => ["reading", "name", "conflict", "answer", "remedy", "fact_id", "at"].includes(e.name))
      .map((e) => [e.name, e.value]),
  ]);
  const isTick = (field) => field.type === "checkbox" || field.type === "radio";
  const fieldName = (field) => `${field.name}\n${isTick(field) ? field.value : ""}`;
  const touched = (field) => {
    if (isTick(field)) return field.checked !== field.defaultChecked;
    if (field.tagName !== "SELECT") return field.value !== field.defaultValue;
    // A list none of whose words is marked begins at its first.
    const first = [...field.options].find((o) => o.defaultSelected) ?? field.options[0];
    return first !== undefined && field.value !== first.value;
  };
  const unsent = (sent, taken) => {
    const out = [];
    for (const form of document.querySelectorAll("#case form")) {
      if (form === sent && taken) continue;
      const fields = [...form.querySelectorAll(FIELDS)].filter((e) => e.name);
      // Ticks that came with the page, by "Done, and it helped", are kept like one's own.
      const whole = form.matches(".close-form") && fields.some((e) => isTick(e) && e.checked);
      const own = fields.filter((e) => whole || touched(e));
      if (!own.length) continue;
      // What stood there when typing began goes along, so that another's text is not written over;
      // who was refused for that has now been shown it.
      if (form !== sent) own.push(...form.querySelectorAll('input[type=hidden][name^="shown_"]'));
      out.push([formName(form), own.map((e) => [fieldName(e), isTick(e) ? e.checked : e.value])]);
    }
    return out;
  };
  const carryOver = (kept) => {
    const forms = new Map(Array.from(document.querySelectorAll("#case form"), (f) => [formName(f), f]));
    for (const [name, values] of kept) {
      const fields = new Map(Array.from(forms.get(name)?.elements ?? [], (e) => [fieldName(e), e]));
      for (const [key, value] of values) {
        const field = fields.get(key);
        if (!field) continue;
        if (isTick(field)) field.checked = value;
        else field.value = value;
        if (value) field.closest("details")?.setAttribute("open", "");
      }
    }
  };
  // Work that is for an electrician has a name to it; the form says so before it is sent.
  const askName = () => {
    for (const form of document.querySelectorAll(".close-form")) {
      const name = form.querySelector("input[name=done_by]");
      if (name) name.required = form.querySelector("[data-named]:checked") !== null;
    }
  };
  document.addEventListener("change", askName);
  document.addEventListener("DOMContentLoaded", askName);
  // On a narrow screen the long lists begin folded; paper has them all.
  document.addEventListener("DOMContentLoaded", () => {
    if (!matchMedia("(max-width: 760px)").matches) return;
    const wanted = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    for (const fold of document.querySelectorAll("details.fold")) fold.open = !!wanted && fold.contains(wanted);
  });
  // What was folded before is folded again after: the page stays as short as it was.
  let folded = [];
  addEventListener("beforeprint", () => {
    folded = Array.from(document.querySelectorAll("details.fold:not([open])"));
    for (const fold of folded) fold.open = true;
  });
  addEventListener("afterprint", () => {
    for (const fold of folded) fold.open = false;
    folded = [];
  });
  let kept = [];
  // What was unfolded stays so.
  document.addEventListener("htmx:beforeSwap", (event) => {
    opened = Array.from(document.querySelectorAll("details[open][id]"), (d) => d.id);
    kept = unsent(event.detail.requestConfig?.elt, event.detail.xhr.status < 400);
  });
  document.addEventListener("htmx:afterSwap", (event) => {
    for (const fold of document.querySelectorAll("details.fold")) fold.open = opened.includes(fold.id);
    for (const id of opened) document.getElementById(id)?.setAttribute("open", "");
    if (event.detail.target?.id === "case" || event.target.id === "case") carryOver(kept);
    askName();
  });
  // Counters are saved while the finger is on its way to the sign button: the button stays the
  // same one, so that the touch is not lost, and only whether it may be touched follows.
  document.addEventListener("htmx:oobAfterSwap", () => {
    const sign = document.getElementById("sign");
    if (sign) sign.disabled = document.getElementById("open-ends") !== null;
  });
  document.addEventListener("htmx:afterSettle", () => {
    const now = currentStep();
    if (now === null || quiet) return;
    if (home !== null) {
      step = now;
      if (document.activeElement === document.body) {
        document.getElementById(home)?.focus({ preventScroll: true });
      }
    } else if (now !== step) {
      step = now;
      scrollTo({ top: 0, behavior: "instant" });
      (document.querySelector("#pit-field, [data-focus]") ?? document.getElementById("step-title"))?.focus();
    } else if (document.activeElement === document.body) {
      (document.querySelector("#pit-field, [data-focus]") ?? document.getElementById("step-title"))
        ?.focus({ preventScroll: true });
    }
  });
  // The second tap of a double tap lands on what the first has brought: a part nobody looked at,
  // or a finding taken back. It is no touch.
  document.addEventListener("click", (event) => {
    if (event.detail > 1 && event.target.closest("#bench button, #case .touch, #study button, #judge button, #shelf form button:not([data-by])")) event.preventDefault();
  }, true);
  // One fewer, one more, without a keyboard; what is no number begins at the lowest.
  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-by]");
    const field = button && document.getElementById(button.dataset.for);
    if (!field) return;
    const now = /^\d{1,9}$/.test(field.value.trim()) ? Number(field.value) : 0;
    field.value = Math.max(Number(button.dataset.low ?? 0), now + Number(button.dataset.by));
  });
  // On the shelf: what was chosen is ready for its number, what was refused for its mend, and
  // otherwise a scanner that types finds the box for its codes.
  const toField = () => {
    const place = document.getElementById("shelf");
    if (!place) return;
    // What was refused, or else what was just written down: the focus has it read out.
    const wrong = place.querySelector("[data-wrong]") ?? place.querySelector("[data-told]");
    const chosen = location.hash.length > 1 ? document.getElementById(location.hash.slice(1)) : null;
    const field = wrong ?? chosen?.querySelector("[data-first]") ?? (chosen ? null : place.querySelector("[data-scan]"));
    if (!field) return;
    field.focus({ preventScroll: field.matches("[data-scan]") });
    if (!wrong && field.matches("[data-first]")) field.select();
  };
  document.addEventListener("DOMContentLoaded", toField);
  // A status is read out when it is filled, not when it was there from the beginning.
  document.addEventListener("DOMContentLoaded", () => {
    const done = document.querySelector("main > .done");
    if (!done) return;
    // Taken out and put in again, and never out of sight.
    setTimeout(() => done.replaceChildren(done.textContent), 200);
  });
  addEventListener("hashchange", toField);
  document.addEventListener("htmx:afterSettle", (event) => {
    if (event.target.id === "main") toField();
    else event.target.querySelector?.("[data-wrong]")?.focus();
  });
  document.addEventListener("click", (event) => {
    if (event.target.closest("[data-print]")) print();
  });
})();
