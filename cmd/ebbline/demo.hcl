# A rack in miniature, of our own invention: a second here stands for half a
# minute there, so that a whole outage fits into one.

site "miniature" {
  ride_through = "3s"
  reserve      = "2s"
  restore {
    stable_for = "1s"
    stagger    = "300ms"
  }
}

ups "shelf" {
  class          = "VI"
  rated_watts    = 600
  overhead_watts = 8
  battery {
    chemistry      = "vrla"
    volts          = 24
    amp_hours      = 9
    model {
      store_watt_hours = 4.7
      ohmic            = "2s"
      diffusion        = "16s"
      relaxation       = "6s"
    }
  }
  output {
    cut_after    = "3s"
    return_after = "2s"
  }
  snmp { # in the demo the room answers in its place
    address    = "192.0.2.10"
    version    = "2c"
    community  = secret("demo")
    poll_every = "500ms"
    timeout    = "400ms"
  }
}

load "switch" {
  fed_by = ["shelf"]
  watts  = 90 # with what it feeds over its cables
}

group "all" {
  fed_by    = ["shelf"]
  stops_in  = "1500ms"
  gives_up  = "5s"
  starts_in = "1s"
  probe { quiet_for = "1s" }
  ssh {
    user        = "ebbline"
    key         = secret("demo")
    known_hosts = "/nowhere"
    command     = "sudo systemctl poweroff"
  }
}

host "bench" {
  group    = "all"
  priority = 10
  watts    = 110
  gives_up = "4s"
  ssh { address = "192.0.2.11" }
  outlet { # the second way: it will be needed
    protocol = "redfish"
    address  = "192.0.2.12"
    user     = "ebbline"
    password = secret("demo")
    name     = "1"
    gives_up = "3s"
  }
  wake { ethernet = "02:00:00:00:00:11" }
}

host "anvil" {
  group      = "all"
  priority   = 50
  watts      = 110
  stops_in   = "2500ms"
  gives_up   = "6s"
  depends_on = ["cellar", "switch"]
  ssh { address = "192.0.2.13" }
  wake { ethernet = "02:00:00:00:00:13" }
}

host "shop" {
  group      = "all"
  priority   = 40
  runs_on    = "anvil"
  watts      = 30
  fed_by     = ["shelf"]
  depends_on = ["ledger"]
  ssh { address = "192.0.2.14" }
  start { command = "sudo start-guest shop" }
}

host "ledger" {
  group    = "all"
  priority = 45
  runs_on  = "anvil"
  watts    = 30
  fed_by   = ["shelf"]
  keep_for = "6s"
  ssh { address = "192.0.2.15" }
  start { command = "sudo start-guest ledger" }
}

host "cellar" {
  group      = "all"
  priority   = 90
  watts      = 100
  keep_for   = "10s"
  depends_on = ["switch"]
  ssh { address = "192.0.2.16" }
  wake { ethernet = "02:00:00:00:00:16" }
}

host "lantern" {
  self      = true
  priority  = 100
  fed_by    = ["shelf"]
  watts     = 6
  stops_in  = "1s"
  gives_up  = "2s"
  starts_in = "1s"
  local { command = ["systemctl", "poweroff"] }
}
