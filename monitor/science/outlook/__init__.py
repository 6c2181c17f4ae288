"""Outlook: the shop's air in the days ahead, and its uncertainty.

`hourly_log` holds the shop's hours and the forecasts issued so far. `room_model` fits the heat
balance (`heat_balance`) and the vapour balance (`vapour_balance`) to them, `forecast_correction`
corrects the outdoor forecast, `residual_correction` learns the remaining errors; `shop_model`
combines them into an ensemble. `verification` scores it against its own past, `dry_snap` finds dry
snaps; `shut_days` sees days on which nobody came, and `shut_forecast` learns and forecasts with
them; `forecaster` goes through a log with all of them.

    k = prepared_log(hours, issues)
    shop = shut_forecast.learn(k, issues, stop)                # nightly
    seen = shut_forecast.predict(shop, k, issues, ends, members, seed, record.judged(observed, stop))
"""
