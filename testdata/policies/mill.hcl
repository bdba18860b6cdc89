# A mill's machine room, twelve hosts on one UPS, ranked as such rooms grow: the
# two big machines that somebody cared about are on top, with a promise each,
# and the small ones that everybody needs are below. An invented site, for
# `simulate` and `tune`: it is known to have a better order.

site "mill" {
  ride_through = "60s"
  reserve      = "90s"
}

ups "floor" {
  class       = "VFI"
  rated_watts = 2700
  rated_va    = 3000
  battery {
    chemistry = "vrla"
    volts     = 96
    amp_hours = 9
    installed = "2025-06-01"
    chart     = { "700" = "36m", "1350" = "16m", "2700" = "6m" }
  }
  snmp {
    address   = "192.0.2.10"
    version   = "2c"
    community = secret("floor-community")
  }
}

load "switch" {
  fed_by = ["floor"]
  watts  = 30
}

group "linux" {
  fed_by     = ["floor"]
  depends_on = ["switch"]
  stops_in   = "1m"
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "sudo systemctl poweroff"
  }
}

# The big ones, on top.
host "render" {
  group    = "linux"
  priority = 95
  watts    = 420
  keep_for = "14m"
  stops_in = "2m"
  ssh { address = "192.0.2.21" }
}

host "kiln-model" {
  group    = "linux"
  priority = 90
  watts    = 310
  keep_for = "12m"
  stops_in = "2m"
  ssh { address = "192.0.2.22" }
}

# What the mill needs to know where it stands.
host "storage" {
  group    = "linux"
  priority = 80
  watts    = 140
  keep_for = "30m"
  stops_in = "3m"
  gives_up = "5m"
  ssh { address = "192.0.2.23" }
}

host "orders" {
  group      = "linux"
  priority   = 70
  watts      = 60
  keep_for   = "25m"
  depends_on = ["storage", "switch"]
  ssh { address = "192.0.2.24" }
}

host "gauges" {
  group    = "linux"
  priority = 65
  watts    = 25
  keep_for = "40m"
  ssh { address = "192.0.2.25" }
}

host "doors" {
  group    = "linux"
  priority = 60
  watts    = 15
  keep_for = "40m"
  ssh { address = "192.0.2.26" }
}

host "phones" {
  group    = "linux"
  priority = 55
  watts    = 35
  keep_for = "30m"
  ssh { address = "192.0.2.27" }
}

host "mail" {
  group      = "linux"
  priority   = 40
  watts      = 45
  depends_on = ["storage", "switch"]
  ssh { address = "192.0.2.28" }
}

host "wiki" {
  group    = "linux"
  priority = 30
  watts    = 40
  ssh { address = "192.0.2.29" }
}

host "builds" {
  group    = "linux"
  priority = 20
  watts    = 180
  ssh { address = "192.0.2.30" }
}

host "bench" {
  group    = "linux"
  priority = 10
  watts    = 90
  ssh { address = "192.0.2.31" }
}

# The agent runs here, so it goes last.
host "gate" {
  self     = true
  priority = 100
  fed_by   = ["floor"]
  watts    = 8
  stops_in = "30s"
  local { command = ["systemctl", "poweroff"] }
}
