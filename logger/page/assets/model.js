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
    /** Name of a club that is only looked at, while another is up or none; or null. */
    this.lookedAt = null;
    this._byId = new Map();
    this._byClub = new Map();
  }

  takeState(state) {
    const was = this.state;
    // Whoever looked around is brought back when the player goes on.
    if (was && was.current_club !== state.current_club) this.lookedAt = null;
    if (was?.session?.number !== state.session?.number) this.lookedAt = null;
    this.state = state;
  }

  /** Name of the club to draw: that is looked at, or up; of an ended session, the pivot. */
  get shown() {
    if (!this.state) return null;
    const { clubs, current_club: up, session } = this.state;
    if (clubs.some((club) => club.name === this.lookedAt)) return this.lookedAt;
    if (up !== null || session?.open) return up;
    return (clubs.find((club) => club.pivot) ?? clubs[0])?.name ?? null;
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
    return this.state?.clubs.find((club) => club.name === this.shown) ?? null;
  }

  /** Name of the club `step` places on in the set, going round. */
  neighbour(step) {
    const clubs = this.state?.clubs ?? [];
    if (!clubs.length) return null;
    const at = clubs.findIndex((club) => club.name === this.shown);
    const from = at < 0 && step < 0 ? 0 : at;
    return clubs[(from + step + clubs.length) % clubs.length].name;
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
