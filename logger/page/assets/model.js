// What is known of the session: the last state, and all strikes club by club.

/** Strikes in the order they were struck. */
function before(a, b) {
  if (a.at_utc === b.at_utc) return a.id - b.id;
  return a.at_utc < b.at_utc ? -1 : 1;
}

export class Model {
  constructor() {
    /** The last state message, or null. */
    this.state = null;
    this._byId = new Map();
    this._byClub = new Map();
  }

  takeState(state) {
    this.state = state;
  }

  /**
   * Take in strikes that are new or have changed.
   *
   * Returns what a picture of `club` needs: `added` if all that is new to it came at the end,
   * `redraw` if something within it changed.
   */
  takeStrikes(message, club) {
    const news = { added: [], redraw: message.reset };
    if (message.reset) {
      this._byId.clear();
      this._byClub.clear();
    }
    for (const strike of message.strikes) {
      const old = this._byId.get(strike.id);
      this._byId.set(strike.id, strike);
      if (old) this._takeOut(old);
      const last = this._putIn(strike);
      if (strike.club !== club && old?.club !== club) continue;
      if (old || !last) news.redraw = true;
      else news.added.push(strike);
    }
    return news;
  }

  strikesOf(club) {
    return this._byClub.get(club) ?? [];
  }

  get club() {
    const name = this.state?.current_club ?? null;
    return this.state?.clubs.find((club) => club.name === name) ?? null;
  }

  /** The club `step` places on in the set, going round. */
  neighbour(step) {
    const clubs = this.state?.clubs ?? [];
    if (!clubs.length) return null;
    const at = clubs.findIndex((club) => club.name === this.state.current_club);
    const from = at < 0 && step < 0 ? 0 : at;
    return clubs[(from + step + clubs.length) % clubs.length];
  }

  _takeOut(strike) {
    const list = this._byClub.get(strike.club);
    list.splice(list.indexOf(strike), 1);
  }

  /** Put a strike at its place; true if that is the end. */
  _putIn(strike) {
    if (!this._byClub.has(strike.club)) this._byClub.set(strike.club, []);
    const list = this._byClub.get(strike.club);
    let at = list.length;
    while (at > 0 && before(list[at - 1], strike) > 0) at -= 1;
    list.splice(at, 0, strike);
    return at === list.length - 1;
  }
}
