/* What keeps a room's screen live. Twice a second it asks for the pulse; when the case moved it has the page
   drawn, one question at a time, so that a slow answer is waited for and never dropped. Without an answer
   the page says since when, its numbers turn hollow, and it goes on asking until it is connected again. */
(function () {
  var EVERY_MS = 500;
  var AGES_MS = 5000;       /* ages are rewritten at least this often */
  var PATIENCE_MS = 2000;   /* an unanswered pulse is given up */
  var LOST_MS = 2500;       /* without an answer for this long the screen says so */
  var DROPPED_MS = 10000;   /* a drawing that never came is asked for again */
  var place = null, mode = null, shown = null;
  var asked_at = 0, drawn_at = 0, watched = null, count = 0, timer = null;
  var known = null;         /* what the skin map and the identity on screen were made from */
  var good_at = Date.now(), good_time = null, is_lost = false;

  function set(id, data) { window.dash_clientside.set_props(id, {data: data}); }

  function signature(answer) {
    return mode.case ? JSON.stringify(answer.running) : JSON.stringify([answer.running, answer.planned]);
  }

  function own() {
    return mode.case ? JSON.stringify(mode.running) : JSON.stringify([mode.running, mode.planned]);
  }

  function say(lost) {
    var room = document.querySelector('.room'), line = document.getElementById('room-lost');
    if (!room || !line) { return; }
    room.classList.toggle('is-lost', lost);
    line.hidden = !lost;
    var words = lost ? 'not connected since ' + (good_time || 'this page was opened') +
      ': the numbers are of that time' : '';
    if (line.textContent !== words) { line.textContent = words; }
  }

  function take(answer) {
    var now = Date.now(), was_lost = is_lost;
    good_at = now;
    good_time = answer.at;
    is_lost = false;
    var theirs = signature(answer);
    if (theirs === own()) { watched = null; }
    else if (theirs !== watched) { watched = theirs; set('room-watch', {n: ++count}); }
    if (!mode.case || !shown || shown.case !== mode.case) { return; }
    if (asked_at && now - asked_at < DROPPED_MS) { return; }
    var is_due = was_lost || now - drawn_at >= AGES_MS;
    if (answer.position > shown.position || is_due) {
      asked_at = now;
      set('room-tick', {n: ++count, is_due: is_due});
    }
  }

  function ask() {
    window.clearTimeout(timer);
    var began = Date.now(), is_room = document.getElementById('room-place-mark');
    function again() {
      if (is_room && place && !is_lost && Date.now() - good_at > LOST_MS) { is_lost = true; }
      say(is_lost);
      window.clearTimeout(timer);
      timer = window.setTimeout(ask, Math.max(50, EVERY_MS - (Date.now() - began)));
    }
    if (!is_room || !place || !mode) { good_at = began; again(); return; }
    var ender = new AbortController();
    var patience = window.setTimeout(function () { ender.abort(); }, PATIENCE_MS);
    var query = '?room=' + encodeURIComponent(place.room) + '&case=' + encodeURIComponent(mode.case || '');
    window.fetch('/pulse' + query, {signal: ender.signal, cache: 'no-store'})
      .then(function (answer) {
        if (!answer.ok) { throw new Error('the server answered ' + answer.status); }
        return answer.json();
      })
      .then(take)
      .catch(function () { /* said by the page itself once it lasts */ })
      .then(function () { window.clearTimeout(patience); again(); });
  }

  document.addEventListener('visibilitychange', function () { if (!document.hidden) { ask(); } });
  ask();

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    live: {
      /* What the room shows now. */
      enter: function (now, where) {
        mode = now; place = where; watched = null; asked_at = 0;
        return window.dash_clientside.no_update;
      },
      /* Other cards of machines wait than those that stand there. */
      held: function (mark, standing) {
        var wait = mark && mark.held;
        if (!wait || JSON.stringify(wait) === JSON.stringify(standing || [])) {
          return window.dash_clientside.no_update;
        }
        return {wait: wait};
      },
      /* The page was drawn. */
      drawn: function (mark) {
        var facts = mark && JSON.stringify([mark.case, mark.facts]);
        if (facts && known !== null && facts !== known && document.getElementById('room-skin')) {
          ['room-skin-tick', 'identity-tick'].forEach(function (name) {
            window.dash_clientside.set_props(name, {n_intervals: Date.now()});
          });
        }
        known = facts;
        shown = mark; asked_at = 0; drawn_at = Date.now();
        return window.dash_clientside.no_update;
      }
    }
  });
})();
