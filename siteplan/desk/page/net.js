/* The way to the program on this computer, and what comes of it when it does not answer. */
"use strict";
(() => {
  class NoAnswer extends Error {}
  class Refused extends Error {
    constructor(status, body) {
      super((body.faults || []).map((fault) => fault.what).join("; ") || body.why || body.conflict_text || `answer ${status}`);
      this.status = status;
      this.body = body;
    }
  }

  const tokenIn = (page) => page.querySelector('meta[name="desk-token"]')?.content || "";
  let token = tokenIn(document);

  const ask = async (path, { body, headers = {}, wait = 30_000, signal } = {}) => {
    const stop = new AbortController(), timer = setTimeout(() => stop.abort("late"), wait);
    if (signal) { signal.addEventListener("abort", () => stop.abort("given up")); }
    const told = { "X-Desk-Token": token, ...headers };
    if (body !== undefined) { told["Content-Type"] = "application/json"; }
    try {
      const answer = await fetch(path, { method: body === undefined ? "GET" : "POST", headers: told, cache: "no-store",
        body: body === undefined ? undefined : JSON.stringify(body), signal: stop.signal });
      /* with its text: an answer that is cut off, or never ends, is none */
      return { ok: answer.ok, status: answer.status, text: await answer.text() };
    } catch (error) {
      if (signal && signal.aborted) { throw error; }
      throw new NoAnswer(String(error));
    } finally { clearTimeout(timer); }
  };
  const parsed = (answer) => {
    let body;
    try { body = answer.status === 204 ? {} : JSON.parse(answer.text); } catch {
      /* not the program that answers */
      throw answer.ok ? new NoAnswer("half an answer") : new Refused(answer.status, {});
    }
    if (!answer.ok) { throw new Refused(answer.status, body || {}); }
    return body;
  };
  /* A program that was started again has another token: read it from its page, once. */
  const renewed = async () => {
    const answer = await ask("/");
    if (!answer.ok) { return false; }
    const fresh = tokenIn(new DOMParser().parseFromString(answer.text, "text/html"));
    const changed = Boolean(fresh) && fresh !== token;
    token = fresh || token;
    return changed;
  };
  const call = async (path, options = {}) => {
    const answer = await ask(path, options);
    if (answer.status === 403 && await renewed()) { return parsed(await ask(path, options)); }
    return parsed(answer);
  };
  const get = (path, options) => call(path, options);
  const post = (path, body, options = {}) => call(path, { ...options, body });

  /* Of a stream of wishes only the newest counts: at most one question is on its way, and an
     answer that comes after `drop` is not heard. */
  const latest = (question) => {
    let busy = false, waiting = null, era = 0;
    const run = async () => {
      busy = true;
      while (waiting) {
        const { wish, heard, asked } = waiting;
        waiting = null;
        let answer = null, error;
        try { answer = await question(wish); } catch (trouble) { error = trouble; }
        if (asked !== era || error instanceof NoAnswer) { continue; }
        /* a mistake of ours in there must not end the asking */
        try { heard(answer, wish, error); } catch (mistake) { setTimeout(() => { throw mistake; }); }
      }
      busy = false;
    };
    return {
      ask(wish, heard) { waiting = { wish, heard, asked: era }; if (!busy) { run(); } },
      drop() { era += 1; waiting = null; },
    };
  };

  /* what is asked first is on its way while the other scripts are still read */
  const first = get("/api/site");
  first.catch(() => {});      /* heard where it is waited for */

  desk.net = { NoAnswer, Refused, get, post, latest, first };
})();
