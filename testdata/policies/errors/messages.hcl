# Messages: who is told, by which way, of what.
site "barn" {
  sign_of_life {
    url         = "hooks.example/alive" # ERROR: Invalid URL
    failure_url = "https://me:pw@hooks.example/dead" # ERROR: Invalid URL
    every       = "1s" # ERROR: Out of range
  }
}

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

message "nothing" { # ERROR: Exactly one is needed
}

message "two" { # ERROR: Exactly one is needed
  command = ["/usr/local/bin/tell"]
  webhook { url = "https://hooks.example/" }
}

message "odd" {
  severity = "urgent" # ERROR: Unknown choice
  codes    = ["source-quiet"] # ERROR: Unknown code
  command  = "tell" # ERROR: Wrong kind of value
}

message "open" {
  webhook {
    url     = "https://hooks.example/${secret("hook")}"
    headers = { # ERROR: Invalid text
      Authorization = "Bearer hunter2" # ERROR: Secret expected
      "a b"         = "x"
    }
    template = <<EOT
{
  "text": {{json .Text}},
  "from": {{.Nobody}} # ERROR: Template with an error
}
EOT
  }
}

message "post" {
  mail {
    server   = "mail.example" # ERROR: Invalid address
    from     = "ebbline" # ERROR: Invalid mail address
    to       = ["operator@example.org\r\nBcc: x@example.org"] # ERROR: Invalid mail address
    user     = "ebbline"
    password = "hunter2" # ERROR: Secret expected
  }
}

message "clear" {
  mail {
    server   = "mail.example:25"
    from     = "ebbline@example.org"
    to       = [] # ERROR: Out of range
    user     = "ebbline"
    password = secret("mail")
    tls      = "none" # ERROR: Does not apply here
  }
}

message "kind" {
  webhook {
    url          = "https://hooks.example/"
    content_type = "text/plain" # ERROR: Does not apply here
  }
}
