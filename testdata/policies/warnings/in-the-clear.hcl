# Messages that all on the way can read.
site "barn" {}

ups "rack" {
  rated_watts = 1000
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-01-01"
  }
  hid { serial = "A1" }
}

host "box" {
  self     = true
  priority = 1
  fed_by   = ["rack"]
  watts    = 10
  stops_in = "1m"
  gives_up = "2m"
  local { command = ["systemctl", "poweroff"] }
}

message "hook" {
  webhook { url = "http://hooks.example/" } # WARNING: Sent in the clear
}

message "post" {
  mail {
    server = "mail.example:25"
    from   = "ebbline@example.org"
    to     = ["operator@example.org"]
    tls    = "none" # WARNING: Sent in the clear
  }
}

message "here" {
  webhook { url = "http://127.0.0.1:9000/" }
}
