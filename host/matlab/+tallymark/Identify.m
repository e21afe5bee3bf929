classdef Identify < handle
%IDENTIFY  The first words with a box: who is there, and is its version of the protocol this one
%   (PROTOCOL.md, 3.4 and 3.5)? Nothing else is asked meanwhile.
    properties (Constant)
        PATIENCE_S = 6      % some boards restart when their port is opened
        QUIET_S = 1.6       % no byte for an old boot loader to wait on, after a lost question
    end
    properties (Access = private)
        window
        reader
    end

    methods
        function identify = Identify(window, reader)
            identify.window = window;
            identify.reader = reader;
        end

        function ask(identify)
            %ASK  Asks until the answer comes. Errors: tallymark:nobox, tallymark:version.
            window = identify.window;
            reader = identify.reader;
            window.identity = [];
            until_s = toc(window.born) + identify.PATIENCE_S;
            window.put(0);  % closes whatever noise went before
            while isempty(window.identity)
                reader.started = false;
                window.send('identify', 1, [2, 0]);
                next_s = toc(window.born) + window.OVERDUE_S + identify.QUIET_S;
                while toc(window.born) < next_s && isempty(window.identity) && ~reader.started
                    if ~reader.receive()
                        pause(0.0005);
                    end
                    identify.check_version();
                end
                if toc(window.born) > until_s
                    identify.no_box();
                end
            end
        end
    end

    methods (Access = private)
        function check_version(identify)
            major = identify.reader.version_refused;
            if ~isnan(major)
                identify.window.close();
                error('tallymark:version', ['The box at %s speaks version %d of the protocol, ' ...
                    'and this program version 2. No marker was sent. Update the older one.'], ...
                    identify.window.port.where, major);
            end
        end

        function no_box(identify)
            decoder = identify.reader.decoder;
            identify.window.close();
            if decoder.frames + decoder.frames_broken > 0
                hint = 'Something answers there, but not as a box.';
            else
                hint = 'No valid message was received from there.';
            end
            error('tallymark:nobox', ['No box answered at %s within %d seconds. %s No marker ' ...
                'was sent. Is it the right port, and does the board have the firmware?'], ...
                identify.window.port.where, identify.PATIENCE_S, hint);
        end
    end
end
