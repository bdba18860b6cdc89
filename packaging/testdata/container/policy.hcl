site "container" {
  ride_through = "10s"
  reserve      = "10s"
}

ups "rack" {
  rated_watts = 1000
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
  }
  snmp {
    address = "127.0.0.1:1161"
    version = "2c"
  }
}

host "keeper" {
  self     = true
  priority = 90
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "20s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
