// Start-up of the page, in its order.

import { Follow } from './follow.js';
import { startAnnouncing } from './announce.js';
import { startBar } from './bar.js';
import { startCautions } from './cautions.js';
import { startLost } from './lost.js';
import { startRouting } from './routing.js';
import { startViewOnly } from './viewonly.js';
import { State } from './state.js';
import { takeFromAddress } from './token.js';

takeFromAddress();
const state = new State();
const follow = new Follow(state);
// A link with a token may also be opened in a tab that shows the page already.
addEventListener('hashchange', () => takeFromAddress() && follow.reload().catch(follow.lost));
startLost(state);
startBar(state);
startCautions(state);
startViewOnly(state, () => follow.reload());
startAnnouncing(state);
startRouting(state);
follow.run();
