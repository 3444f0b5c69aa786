import { truthTests } from '../support/truth-scores.js';

truthTests(1, 25);
