"""The first configuration, as ``bladewatch init`` writes it: it runs as it is, and says what each key is for."""

from __future__ import annotations

from typing import Final

SAMPLE: Final = """# bladewatch configuration. Names and numbers below are invented: put in your own.
# Required: site.name, the id of each saw, the id of each blade type. Everything else has a default, or leads to
# "cannot tell". 'bladewatch status' says what is missing for a better answer.

[site]
name = "hall-two"                # as in the topics: bladewatch/1/hall-two/SAW/KIND
timezone = "Europe/Berlin"       # a name of the time zone database; inside everything is UTC
currency = "EUR"
units = "metric"                 # or "inch": for showing, never for storing
production_day_start = "06:00"   # a cut at 02:00 belongs to the day before

[store]
url = "sqlite:///bladewatch.sqlite"   # relative to this file

[retention]
keep_raw_days = 90               # fast readings; after that a summary a minute stays. Strokes stay for ever

[mqtt]
host = "127.0.0.1"
port = 1883
# username = "bladewatch"
# password_env = "BLADEWATCH_MQTT_PASSWORD"   # the variable that holds the password, not the password
# tls = true

[[saw]]
id = "S1"
load_base_kw = 11.0              # what 100 % load means, where the drive sends load_pct
rated_rpm = 2800
spindles = 1
aliases = ["Saw 1", "SAW01"]
fits = ["T420x96"]
place = "north wall"

[[saw]]
id = "S2"
rated_rpm = 2800
fits = ["T420x96"]

[[blade_type]]
id = "T420x96"
diameter_mm = 420
teeth = 96
kerf_mm = 4.0
wear_limit_um = 250              # mean flank wear at which it goes to the grinder, as your bench measures it
site_limit_area_m2 = 40          # the rule of thumb until three cycles have ended with a reason
max_rpm = 4000
bore_mm = 32
price = "380.00"                 # money as a number or as quoted text
grind_price = "48.00"
regrinds_expected = 12
turnround_days = 7

[[alloy]]
id = "6063"
aliases = ["EN AW-6063", "AlMg0.7Si"]
density = 2.70

[[alloy]]
id = "6082"
aliases = ["EN AW-6082"]
density = 2.70
# wear_ratio = 1.3               # wear per area beside the base alloy, where you know it

[[part]]
id = "P-100"
alloy = "6063"
area_mm2 = 564                   # metal of all bars in the stroke, holes excluded
height_mm = 40
bars = 1

# A row may repeat its id with valid_from and takes over from then:
# [[part]]
# id = "P-100"
# valid_from = 2026-03-01
# alloy = "6063"
# area_mm2 = 580

[alerts]
prepare_share = 0.8              # of the limit: have a spare ready
prepare_hours = 16               # or when the blade may not last so long
change_hours = 8                 # change when it may not last so long
gap_minutes = 10                 # a running saw that is silent so long is called unseen
idle_alert = 0.15                # warm idle power off the saw's own by so much is shown; idle_act (0.30) calls somebody
idle_act = 0.30
vibration_alert_mm_s = 4.5       # velocity, RMS; or vibration_alert_ratio times the saw's own
vibration_act_mm_s = 7.1

# A gateway with its own topics and fields is read without code:
# [[map]]
# topic = "plant/{saw}/spindle"
# kind = "power"
# fields = { ts = "time", power_kw = "data.kw" }
# units = { power_kw = "hp" }
"""
