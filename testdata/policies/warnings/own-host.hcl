# The output goes off while the agent's own host is still stopping.

site "barn" {
}

ups "rack" {
  rated_watts = 500
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "1"
  }
  output {
    cut_after    = "30s" # WARNING: Output off too soon
    return_after = "1m"
  }
}

host "gate" {
  self     = true
  priority = 100
  fed_by   = ["rack"]
  watts    = 8
  stops_in = "30s"
  local {
    command = ["systemctl", "poweroff"]
  }
}
