import { truthTests } from '../support/truth-scores.js';

truthTests(26, 50);
