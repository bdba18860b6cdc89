# A room whose battery outlasts its cooling: what ends an outage here is heat.

site "attic" {
  ride_through = "60s"
  reserve      = "60s"
}

ups "rack" {
  class       = "VFI"
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 192
    amp_hours = 150
    installed = "2025-03-01"
  }
  snmp {
    address  = "192.0.2.10"
    version  = "3"
    user     = "ebbline"
    auth_key = secret("ups-auth")
    priv_key = secret("ups-priv")
  }
}

temperature "inlet" {
  limit        = 35
  rate         = 20
  with_input   = true
  confirmed_by = "ups"
  snmp {
    address  = "192.0.2.30"
    version  = "3"
    user     = "ebbline"
    auth_key = secret("sensor-auth")
    oid      = "1.3.6.1.2.1.99.1.1.1.4.1"
    scale    = 0.1
  }
}

temperature "ups" {
  limit = 45
  ups   = "rack"
}

emergency_off "door" {
  cuts   = "both"
  ups    = "rack"
  oid    = "1.3.6.1.4.1.8072.9999.1.0"
  active = 1
}

load "switch" {
  fed_by = ["rack"]
  watts  = 40
}

group "box" {
  fed_by   = ["rack"]
  stops_in = "1m"
  wake { ethernet = "02:00:00:00:00:20" }
  ssh {
    user     = "ebbline"
    key      = secret("ssh-key")
    host_key = "SHA256:iq0cUhHaGQq9zFuCDVYZDvLVXTtGGjuGvjeW2UGGCjk"
    gives_up = "3m"
  }
}

host "batch" {
  group      = "box"
  priority   = 10
  watts      = 450
  depends_on = ["store"]
  wake { ethernet = "02:00:00:00:00:21" }
  ssh { address = "192.0.2.21" }
}

host "web" {
  group      = "box"
  priority   = 50
  watts      = 250
  depends_on = ["store", "switch"]
  wake { ethernet = "02:00:00:00:00:22" }
  ssh { address = "192.0.2.22" }
}

host "store" {
  group    = "box"
  priority = 80
  watts    = 200
  wake { ethernet = "02:00:00:00:00:23" }
  ssh { address = "192.0.2.23" }
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 6
  stops_in = "20s"
  local { command = ["systemctl", "poweroff"] }
}
