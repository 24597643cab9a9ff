"""From a CT to a case, step by step, in the browser."""
