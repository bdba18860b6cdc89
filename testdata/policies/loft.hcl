# A loft of our own with twelve hosts on one UPS: two hypervisors with their
# guests, a store, a desk, a gateway, and the board that the agent runs on. With
# amp_hours 2.2 instead of 24 the battery is too small, which `simulate` finds out.

variable "amp_hours" {
  value = 24
}

site "loft" {
  ride_through = "60s"
  reserve      = "60s"
  restore {
    stable_for = "2m"
    stagger    = "10s"
  }
}

ups "stack" {
  rated_watts    = 1500
  overhead_watts = 25
  battery {
    chemistry   = "vrla"
    volts       = 48
    amp_hours   = var.amp_hours
    installed   = "2025-06-01"
    temperature = 25
  }
  snmp {
    address   = "192.0.2.10"
    version   = "2c"
    community = secret("stack")
  }
  output {
    cut_after    = "2m"
    return_after = "30s"
  }
}

load "core-switch" {
  fed_by = ["stack"]
  watts  = 18
}

group "all" {
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "sudo systemctl poweroff"
  }
}

host "desk" {
  group    = "all"
  fed_by   = ["stack"]
  priority = 10
  watts    = 120
  stops_in = "40s"
  gives_up = "2m"
  ssh { address = "192.0.2.20" }
  wake { ethernet = "02:00:00:00:00:20" }
}

host "backup" {
  group    = "all"
  fed_by   = ["stack"]
  priority = 15
  watts    = 45
  stops_in = "1m"
  gives_up = "3m"
  depends_on = ["vault"]
  ssh { address = "192.0.2.21" }
  wake { ethernet = "02:00:00:00:00:21" }
}

host "forge" {
  group    = "all"
  fed_by   = ["stack"]
  priority = 20
  watts    = 90
  stops_in = "90s"
  gives_up = "4m"
  depends_on = ["vault"]
  ssh { address = "192.0.2.30" }
  wake { ethernet = "02:00:00:00:00:30" }
}

host "build" {
  group    = "all"
  priority = 12
  watts    = 35
  stops_in = "30s"
  gives_up = "2m"
  runs_on  = "forge"
  ssh { address = "192.0.2.31" }
  start { command = "sudo systemctl start guest-build" }
}

host "trial" {
  group    = "all"
  priority = 14
  watts    = 20
  stops_in = "30s"
  gives_up = "2m"
  runs_on  = "forge"
  ssh { address = "192.0.2.32" }
  start { command = "sudo systemctl start guest-trial" }
}

host "anvil" {
  group    = "all"
  fed_by   = ["stack"]
  priority = 60
  watts    = 80
  stops_in = "90s"
  gives_up = "4m"
  keep_for = "10m"
  depends_on = ["vault"]
  ssh { address = "192.0.2.40" }
  wake { ethernet = "02:00:00:00:00:40" }
}

host "photos" {
  group    = "all"
  priority = 25
  watts    = 25
  stops_in = "45s"
  gives_up = "2m"
  runs_on  = "anvil"
  ssh { address = "192.0.2.41" }
  start { command = "sudo systemctl start guest-photos" }
}

host "wiki" {
  group    = "all"
  priority = 40
  watts    = 15
  stops_in = "30s"
  gives_up = "2m"
  runs_on  = "anvil"
  depends_on = ["mail"]
  ssh { address = "192.0.2.42" }
  start { command = "sudo systemctl start guest-wiki" }
}

host "mail" {
  group    = "all"
  priority = 50
  watts    = 20
  stops_in = "45s"
  gives_up = "2m"
  runs_on  = "anvil"
  keep_for = "10m"
  ssh { address = "192.0.2.43" }
  start { command = "sudo systemctl start guest-mail" }
}

host "vault" {
  group    = "all"
  fed_by   = ["stack"]
  priority = 80
  watts    = 70
  stops_in = "2m"
  gives_up = "5m"
  keep_for = "20m"
  ssh { address = "192.0.2.50" }
  wake { ethernet = "02:00:00:00:00:50" }
}

host "gate" {
  group    = "all"
  fed_by   = ["stack"]
  priority = 90
  watts    = 14
  stops_in = "20s"
  gives_up = "1m"
  keep_for = "30m"
  ssh { address = "192.0.2.60" }
  wake { ethernet = "02:00:00:00:00:60" }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["stack"]
  watts    = 6
  stops_in = "20s"
  gives_up = "1m"
  local { command = ["systemctl", "poweroff"] }
}
