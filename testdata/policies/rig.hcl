# A small rig for conversations with the core: a client of a store, a bench
# with a second way down, and the agent's board, on one UPS.

site "rig" {
  ride_through = "60s"
  reserve      = "60s"
  restore {
    stable_for = "2m"
    stagger    = "10s"
  }
}

ups "u" {
  rated_watts    = 1000
  overhead_watts = 20
  battery {
    chemistry   = "vrla"
    volts       = 48
    amp_hours   = 9
    installed   = "2026-01-01"
    temperature = 25
  }
  snmp {
    address   = "192.0.2.10"
    version   = "2c"
    community = secret("rig")
  }
  output {
    cut_after    = "2m"
    return_after = "30s"
  }
}

group "all" {
  fed_by    = ["u"]
  stops_in  = "30s"
  gives_up  = "90s"
  starts_in = "1m"
  ssh {
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
    command     = "sudo systemctl poweroff"
  }
}

host "bench" {
  group    = "all"
  priority = 10
  watts    = 200
  ssh { address = "192.0.2.11" }
  outlet {
    protocol = "redfish"
    address  = "192.0.2.12"
    user     = "ebbline"
    password = secret("pdu")
    name     = "1"
    gives_up = "20s"
  }
  wake { ethernet = "02:00:00:00:00:11" }
}

host "web" {
  group      = "all"
  priority   = 40
  watts      = 100
  depends_on = ["store"]
  ssh { address = "192.0.2.13" }
  wake { ethernet = "02:00:00:00:00:13" }
}

host "store" {
  group    = "all"
  priority = 80
  watts    = 80
  keep_for = "15m"
  ssh { address = "192.0.2.14" }
  wake { ethernet = "02:00:00:00:00:14" }
}

host "board" {
  self     = true
  priority = 100
  fed_by   = ["u"]
  watts    = 10
  stops_in = "20s"
  gives_up = "60s"
  local { command = ["systemctl", "poweroff"] }
}
