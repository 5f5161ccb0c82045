// What the fitter asks for, sent to the server; its answer is shown.

export class Acts {
  /** @param {(words: string, good: boolean, act: object) => void} answer */
  constructor(url, answer) {
    this._url = url;
    this._answer = answer;
    this.allowed = false;
  }

  async ask(act) {
    if (!this.allowed) return;
    try {
      const answer = await fetch(this._url, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(act),
      });
      const { words } = await answer.json();
      this._answer(words, answer.ok, act);
    } catch (error) {
      if (!(error instanceof TypeError) && !(error instanceof SyntaxError)) throw error;
      this._answer("not connected: nothing was changed", false, act);
    }
  }
}
