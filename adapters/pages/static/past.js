// Pages that are told once: their times and marks.

import { drawMarks, runClock, tellTimes } from "./when.js";

tellTimes(document);
drawMarks(document);
runClock();
