"""Air, the wall page: the headline, a row per place, open alerts, waits and the outlook."""
